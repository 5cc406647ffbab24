//! Measures how well a bag, pouch, box or cabinet keeps radio waves out.

pub mod analysis;
pub mod cli;
pub mod config;
pub mod daemon;
pub mod evaluate;
pub mod instrument;
pub mod link;
pub mod procedure;
pub mod quantity;
pub mod report;
pub mod sim;
pub mod station;
pub mod store;
