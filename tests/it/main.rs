//! What the whole program must show, each topic in a module of its own. One binary, so that it links once.
//!
//! Everything runs over real sockets and terminals of this machine alone. Each test has a bench, a folder
//! and a database to itself.

mod bad_input;
mod demo;
mod fake;
mod flags;
mod house;
mod kill;
mod scheduled;
mod support;
mod trade;
mod wire;
