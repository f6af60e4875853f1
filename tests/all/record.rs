//! Recording: nothing is lost when something fails, and what is kept is what was pressed.

#[path = "record/bench.rs"]
mod bench;
#[path = "record/keeper.rs"]
mod keeper;
