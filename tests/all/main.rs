mod stats_reference;
mod decisions;
