#[test]
fn t() {}
mod springs;
