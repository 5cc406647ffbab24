//! Links and instruments against the simulated bench, over every kind of wire.

mod bench;
mod conformance;
mod faults;
mod peers;
