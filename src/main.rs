//! The `muffle` binary: everything is in the library.
fn main() {}
