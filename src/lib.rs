//! Measures how well a bag, pouch, box or cabinet keeps radio waves out.

pub mod quantity;
pub mod sim;
