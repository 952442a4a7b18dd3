//! The command line of Outturn, and nothing else.

fn main() {}
