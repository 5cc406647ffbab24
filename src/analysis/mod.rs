//! The maths, pure: what the readings mean and what theory says beside them.

pub mod shield;
