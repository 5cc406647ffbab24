//! Markers: patterns of on and off that no noise makes, and what they tell about a clock.
//!
//! A marker is a sequence of chips, as many on as off, drawn so that it is like no shifted copy of itself and
//! like none of the others. The recorder reads levels at the marker's frequency again and again. Whether
//! a marker lies in them is a test with a stated chance of being wrong: the levels are averaged within each
//! chip, and their correlation r with the pattern has, if they have nothing to do with it,
//! t = r sqrt((n − 2) / (1 − r²)) distributed as Student's t with n − 2 degrees of freedom (exact for
//! normal levels, and nearly so for any, by permutation: E. J. G. Pitman, "Significance tests which may be
//! applied to samples from any populations II", 1937; cited from memory). As many places are tried, so
//! many times smaller the chance at one of them must be (Bonferroni).

use std::collections::VecDeque;

use serde::{Deserialize, Serialize};
use statrs::function::beta::beta_reg;

use super::On;

/// Chips of a marker.
pub const CHIPS: usize = 40;
/// The chance that noise alone is ever taken for a marker, in one watch or one merge.
pub const FALSE_ALARM: f64 = 1e-6;
/// The longest watch for which [`FALSE_ALARM`] is stated, s.
pub const WATCH_S_MAX: f64 = 24.0 * 3600.0;
/// Places that are tried within a chip.
const TRIED_PER_CHIP: f64 = 8.0;
/// Sequences of which the best is taken.
const DRAWS: u64 = 300;
/// Samples kept beside those of a marker, in chips.
const BESIDE_CHIPS: f64 = 3.0;
/// The square of a coverage factor of 3, for the interval of the clock's error.
const COVERAGE_SQUARED: f64 = 9.0;
/// Steps in which the best place is sought at last, in one interval of the samples.
const FINE_STEPS: f64 = 8.0;

/// A sequence of chips, on or off.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[serde(try_from = "String", into = "String")]
pub struct Pattern(Vec<bool>);

impl TryFrom<String> for Pattern {
    type Error = String;
    fn try_from(text: String) -> Result<Self, String> {
        let right = text.len() == CHIPS && text.bytes().all(|b| b == b'0' || b == b'1');
        match right {
            true => Ok(Self(text.bytes().map(|b| b == b'1').collect())),
            false => Err(format!("a marker is {CHIPS} digits, each 0 or 1")),
        }
    }
}

impl From<Pattern> for String {
    fn from(pattern: Pattern) -> Self {
        let digit = |on: &bool| if *on { '1' } else { '0' };
        pattern.0.iter().map(digit).collect()
    }
}

impl Pattern {
    /// `count` patterns that follow from a seed, each unlike the others.
    pub fn draw(seed: u64, count: usize) -> Vec<Self> {
        let mut chosen: Vec<Self> = Vec::with_capacity(count);
        for number in 0..count as u64 {
            let drawn = (0..DRAWS).map(|draw| {
                let candidate = Self::drawn(mix(mix(seed, number), draw));
                let alike = chosen
                    .iter()
                    .flat_map(|other| [candidate.likeness(other), other.likeness(&candidate)])
                    .fold(candidate.likeness(&candidate), f64::max);
                (alike, candidate)
            });
            let best = drawn.min_by(|a, b| a.0.total_cmp(&b.0));
            chosen.extend(best.map(|(_, candidate)| candidate));
        }
        chosen
    }

    /// As many chips on as off, in an order that follows from the seed, the first of them on: before it the
    /// output is off anyway.
    fn drawn(seed: u64) -> Self {
        let mut chips: Vec<bool> = (0..CHIPS).map(|n| n < CHIPS / 2).collect();
        // Fisher and Yates, but for the first.
        for last in (2..CHIPS).rev() {
            let other = 1 + (mix(seed, last as u64) % last as u64) as usize;
            chips.swap(last, other);
        }
        Self(chips)
    }

    /// The largest correlation of this pattern with another at any shift of whole chips, the output off
    /// before and after it; with itself, at any shift but none.
    fn likeness(&self, sent: &Self) -> f64 {
        let count = CHIPS as i64;
        (1 - count..count)
            .filter(|shift| *shift != 0 || self != sent)
            .map(|shift| {
                let at = |chip: i64| {
                    let index = usize::try_from(chip + shift).ok();
                    let on = index.and_then(|index| sent.0.get(index)).copied();
                    f64::from(u8::from(on.unwrap_or(false)))
                };
                let seen: Vec<f64> = (0..count).map(at).collect();
                correlation(&seen, &self.weights())
            })
            .fold(0.0, f64::max)
    }

    fn weights(&self) -> Vec<f64> {
        let weight = |on: &bool| f64::from(u8::from(*on));
        self.0.iter().map(weight).collect()
    }

    /// When the output is to be on, from the marker's beginning: first and behind the last chip of each
    /// stretch.
    pub fn stretches(&self) -> Vec<(usize, usize)> {
        let mut all: Vec<(usize, usize)> = Vec::new();
        for (chip, _) in self.0.iter().enumerate().filter(|(_, on)| **on) {
            match all.last_mut() {
                Some((_, end)) if *end == chip => *end = chip + 1,
                _ => all.push((chip, chip + 1)),
            }
        }
        all
    }

    /// The emissions of a marker as planned, from its beginning, s.
    pub fn planned(&self, chip_s: f64) -> Vec<On> {
        let on = |(from, until): (usize, usize)| {
            let (from_s, until_s) = (from as f64 * chip_s, until as f64 * chip_s);
            On {
                before_s: from_s,
                on_s: from_s,
                off_s: until_s,
                after_s: until_s,
            }
        };
        self.stretches().into_iter().map(on).collect()
    }
}

/// One word from two (splitmix64, Steele, Lea and Flood, OOPSLA 2014).
fn mix(seed: u64, key: u64) -> u64 {
    let mut word = seed.wrapping_add(key.wrapping_add(1).wrapping_mul(0x9E37_79B9_7F4A_7C15));
    word = (word ^ (word >> 30)).wrapping_mul(0xBF58_476D_1CE4_E5B9);
    word = (word ^ (word >> 27)).wrapping_mul(0x94D0_49BB_1331_11EB);
    word ^ (word >> 31)
}

/// A level read at the marker's frequency, by the recorder's clock.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct Sample {
    /// When reading it began, s.
    pub from_s: f64,
    /// When it was there, s.
    pub until_s: f64,
    /// The level, dBm.
    pub level_dbm: f64,
}

impl Sample {
    fn middle_s(&self) -> f64 {
        0.5 * (self.from_s + self.until_s)
    }
}

/// What a marker tells about the recorder's clock.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct Alignment {
    /// By how much the recorder's clock is ahead of the source's, s.
    pub ahead_s: f64,
    /// Within that much, s: coverage factor 3 of what the levels tell, and the limits of what sampling and
    /// switching leave open.
    pub u_s: f64,
    /// Correlation of the levels, averaged within chips, with the pattern.
    pub correlation: f64,
    /// The chance that noise alone correlates so anywhere it was looked for.
    pub chance: f64,
}

/// Correlation of two lists of the same length; 0 where one of them does not vary.
fn correlation(x: &[f64], y: &[f64]) -> f64 {
    let count = x.len().max(1) as f64;
    let mean = |values: &[f64]| values.iter().sum::<f64>() / count;
    let (mean_x, mean_y) = (mean(x), mean(y));
    let (mut xx, mut yy, mut xy) = (0.0, 0.0, 0.0);
    for (x, y) in x.iter().zip(y) {
        let (x, y) = (x - mean_x, y - mean_y);
        xx += x * x;
        yy += y * y;
        xy += x * y;
    }
    match xx > 0.0 && yy > 0.0 {
        true => xy / (xx * yy).sqrt(),
        false => 0.0,
    }
}

/// The chance of a correlation of `n` independent values with a pattern that is at least `r`, if they have
/// nothing to do with it. The tail of Student's t by the incomplete beta function (Abramowitz and Stegun,
/// 26.7.1 and 26.5.27).
pub fn chance_of(r: f64, n: usize) -> f64 {
    let dof = n as f64 - 2.0;
    if !(r > 0.0 && dof > 0.0) {
        return 1.0;
    }
    // dof / (dof + t²) is 1 - r².
    match 1.0 - r * r {
        left if left <= 0.0 => 0.0,
        left => 0.5 * beta_reg(0.5 * dof, 0.5, left),
    }
}

/// The correlation of chip means with a pattern that begins at `begins_s`; none where a chip has no sample.
fn correlation_at<'s>(
    samples: impl Iterator<Item = &'s Sample>,
    pattern: &Pattern,
    chip_s: f64,
    begins_s: f64,
) -> Option<f64> {
    let mut sums = [(0.0, 0u32); CHIPS];
    for sample in samples {
        let chip = ((sample.middle_s() - begins_s) / chip_s).floor();
        if (0.0..CHIPS as f64).contains(&chip) {
            let place = &mut sums[chip as usize];
            place.0 += sample.level_dbm;
            place.1 += 1;
        }
    }
    let means: Vec<f64> = sums
        .iter()
        .filter(|(_, count)| *count > 0)
        .map(|(sum, count)| sum / f64::from(*count))
        .collect();
    (means.len() == CHIPS).then(|| correlation(&means, &pattern.weights()))
}

/// A marker that was seen while watching.
#[derive(Debug, Clone, PartialEq)]
pub struct Seen {
    /// Which of the patterns.
    pub pattern: usize,
    /// When it began, by the recorder's clock, s.
    pub begins_s: f64,
    /// The samples it was seen in.
    pub samples: Vec<Sample>,
}

/// Looks for markers in levels as they come in.
#[derive(Debug)]
pub struct Watcher {
    patterns: Vec<Pattern>,
    chip_s: f64,
    samples: VecDeque<Sample>,
    next_s: f64,
    /// Pattern, beginning and chance of the best so far.
    best: Option<(usize, f64, f64)>,
}

impl Watcher {
    /// Looks for any of these.
    pub fn new(patterns: Vec<Pattern>, chip_s: f64) -> Self {
        Self {
            patterns,
            chip_s,
            samples: VecDeque::new(),
            next_s: f64::NEG_INFINITY,
            best: None,
        }
    }

    /// The chance at one place that is small enough.
    fn chance_max(&self) -> f64 {
        let places = WATCH_S_MAX / self.chip_s * TRIED_PER_CHIP;
        FALSE_ALARM / (places * self.patterns.len() as f64)
    }

    /// Takes the next level; answers once a marker is over and it is sure which one it was, and when.
    pub fn push(&mut self, sample: Sample) -> Option<Seen> {
        let length_s = self.chip_s * CHIPS as f64;
        let now_s = sample.until_s;
        self.samples.push_back(sample);
        let keep_s = length_s + 2.0 * BESIDE_CHIPS * self.chip_s;
        while self
            .samples
            .front()
            .is_some_and(|s| s.until_s < now_s - keep_s)
        {
            self.samples.pop_front();
        }
        if now_s >= self.next_s {
            self.next_s = now_s + self.chip_s / TRIED_PER_CHIP;
            self.look(now_s - length_s);
        }
        let (pattern, begins_s, _) = self.best?;
        // A chip later it is clear where the correlation was largest.
        if now_s < begins_s + length_s + self.chip_s {
            return None;
        }
        self.best = None;
        let samples: Vec<Sample> = self.samples.drain(..).collect();
        let planned = self.patterns[pattern].planned(self.chip_s);
        let near = (begins_s - self.chip_s, begins_s + self.chip_s);
        let refined = finest(&samples, &planned, near);
        Some(Seen {
            pattern,
            begins_s: refined.map_or(begins_s, |(ahead_s, _)| ahead_s),
            samples,
        })
    }

    fn look(&mut self, begins_s: f64) {
        let most = self.chance_max();
        for (index, pattern) in self.patterns.iter().enumerate() {
            let found = correlation_at(self.samples.iter(), pattern, self.chip_s, begins_s);
            let chance = found.map_or(1.0, |r| chance_of(r, CHIPS));
            if chance < most && self.best.is_none_or(|(_, _, best)| chance < best) {
                self.best = Some((index, begins_s, chance));
            }
        }
    }
}

/// Lays a marker as it was sent on the levels that were recorded: by how much the recorder's clock is ahead,
/// looked for in `within_s`. `sent` is by the source's clock, its first emission the marker's beginning.
/// None where no marker is found that noise would not make with a chance of [`FALSE_ALARM`].
pub fn align(
    samples: &[Sample],
    pattern: &Pattern,
    chip_s: f64,
    sent: &[On],
    within_s: (f64, f64),
) -> Option<Alignment> {
    let first_s = sent.first()?.on_s;
    let step_s = chip_s / TRIED_PER_CHIP;
    // Only where the samples can hold the whole of it.
    let length_s = chip_s * CHIPS as f64;
    let from_s = within_s.0.max(samples.first()?.from_s - first_s - chip_s);
    let until_s = within_s
        .1
        .min(samples.last()?.until_s - first_s - length_s + chip_s);
    let places = ((until_s - from_s) / step_s).floor().max(0.0) as usize + 1;
    let (ahead_s, correlation) = (0..places)
        .filter_map(|place| {
            let ahead_s = from_s + place as f64 * step_s;
            let r = correlation_at(samples.iter(), pattern, chip_s, first_s + ahead_s)?;
            Some((ahead_s, r))
        })
        .max_by(|a, b| a.1.total_cmp(&b.1))?;
    // What was looked at is what the clock's error may be, wherever there were samples for it.
    let tried = ((within_s.1 - within_s.0) / step_s).max(places as f64);
    let chance = (chance_of(correlation, CHIPS) * tried).min(1.0);
    if chance >= FALSE_ALARM {
        return None;
    }
    let (ahead_s, u_s) = finest(samples, sent, (ahead_s - chip_s, ahead_s + chip_s))?;
    Some(Alignment {
        ahead_s,
        u_s,
        correlation,
        chance,
    })
}

/// The best place and its uncertainty, s: least squares of the levels over the share of each sample that had
/// the carrier on, which is linear in two levels and not in the place.
fn finest(samples: &[Sample], sent: &[On], (from_s, until_s): (f64, f64)) -> Option<(f64, f64)> {
    let mut apart: Vec<f64> = samples
        .windows(2)
        .map(|w| w[1].from_s - w[0].from_s)
        .collect();
    apart.sort_by(f64::total_cmp);
    let spacing_s = *apart.get(apart.len() / 2)?;
    if spacing_s <= 0.0 || sent.is_empty() {
        return None;
    }
    let step_s = spacing_s / FINE_STEPS;
    let levels: Vec<f64> = samples.iter().map(|sample| sample.level_dbm).collect();
    let places = ((until_s - from_s) / step_s).ceil() as usize;
    let fits: Vec<(f64, f64)> = (0..=places)
        .map(|place| {
            let ahead_s = from_s + place as f64 * step_s;
            let shares: Vec<f64> = samples.iter().map(|s| share(s, ahead_s, sent)).collect();
            (ahead_s, correlation(&levels, &shares).max(0.0))
        })
        .collect();
    let best = fits.iter().map(|fit| fit.1).fold(0.0, f64::max);
    let dof = (samples.len() as f64 - 3.0).max(1.0);
    let left = (1.0 - best * best) * (1.0 + COVERAGE_SQUARED / dof);
    let near: Vec<f64> = fits
        .iter()
        .filter(|(_, r)| 1.0 - r * r <= left)
        .map(|(ahead_s, _)| *ahead_s)
        .collect();
    let (low_s, high_s) = (*near.first()?, *near.last()?);
    // Samples of one interval cannot tell a place within it; and switching took its time, which moves the
    // place by half of it if all of it was on one side.
    let count = sent.len() as f64;
    let switching_on_s = sent.iter().map(|on| on.on_s - on.before_s).sum::<f64>() / count;
    let switching_off_s = sent.iter().map(|on| on.after_s - on.off_s).sum::<f64>() / count;
    let u_s = 0.5 * (high_s - low_s) + 0.5 * spacing_s + 0.5 * switching_on_s.max(switching_off_s);
    Some((0.5 * (low_s + high_s), u_s))
}

/// The share of a sample that had the carrier on, by a clock that is ahead so much. The log is written before
/// the output is switched and the answer read after, so that on is nearer to when it was seen, and off to
/// when it was asked for.
fn share(sample: &Sample, ahead_s: f64, sent: &[On]) -> f64 {
    let (from_s, until_s) = (sample.from_s - ahead_s, sample.until_s - ahead_s);
    let length_s = until_s - from_s;
    let next = sent.partition_point(|on| on.off_s <= from_s);
    let mut on_s = 0.0;
    for on in &sent[next..] {
        if on.on_s > until_s {
            break;
        }
        if length_s <= 0.0 {
            return 1.0;
        }
        on_s += until_s.min(on.off_s) - from_s.max(on.on_s);
    }
    match length_s > 0.0 {
        true => (on_s / length_s).clamp(0.0, 1.0),
        false => 0.0,
    }
}

#[cfg(test)]
mod tests;
