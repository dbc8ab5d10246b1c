//! `tritank`, the bench program.
fn main() {}
