//! The `counterfoil` program.

fn main() {}
