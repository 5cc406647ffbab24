//! Complex numbers, as much of them as the walls of an item need.

use std::ops::{Add, Div, Mul};

#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Complex {
    re: f64,
    im: f64,
}

impl Complex {
    pub(super) const ZERO: Self = Self::new(0.0, 0.0);
    pub(super) const ONE: Self = Self::new(1.0, 0.0);

    pub(super) const fn new(re: f64, im: f64) -> Self {
        Self { re, im }
    }

    pub(super) fn abs(self) -> f64 {
        self.re.hypot(self.im)
    }
}

impl Add for Complex {
    type Output = Self;
    fn add(self, other: Self) -> Self {
        Self::new(self.re + other.re, self.im + other.im)
    }
}

impl Mul for Complex {
    type Output = Self;
    fn mul(self, other: Self) -> Self {
        Self::new(
            self.re * other.re - self.im * other.im,
            self.re * other.im + self.im * other.re,
        )
    }
}

impl Mul<f64> for Complex {
    type Output = Self;
    fn mul(self, factor: f64) -> Self {
        Self::new(self.re * factor, self.im * factor)
    }
}

impl Div for Complex {
    type Output = Self;
    fn div(self, other: Self) -> Self {
        let square = other.re * other.re + other.im * other.im;
        self * Self::new(other.re / square, -other.im / square)
    }
}
