//! Measures how well a bag, pouch, box or cabinet keeps radio waves out.

pub mod analysis;
pub mod quantity;
