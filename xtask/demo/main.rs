//! demo
fn main() {}
