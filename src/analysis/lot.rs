//! Sampling by attributes: a lot judged by how many units of a sample pass.
//!
//! The plan (n, c) accepts a lot when of n units at most c do not pass. How likely a lot of a given
//! quality is accepted, the operating characteristic, is binomial for a large lot or a running
//! production, hypergeometric for a lot whose size is stated (ISO 2859-1, ISO 2859-2).
//!
//! A unit whose verdict is undecided has neither passed nor failed, and so has a unit not measured yet.
//! The lot is accepted only if it would be with all of them failed, and rejected only if it would be
//! with all of them passed; else it is undecided, and the reasons say which units to settle.

use super::AnalysisError;
use super::distribution::{check_share, root_of_rising};
use super::verdict::Verdict;
use serde::{Deserialize, Serialize};
use statrs::distribution::{Binomial, DiscreteCDF, Hypergeometric};

/// The chance of acceptance at the quality the producer may rely on.
const PRODUCER: f64 = 0.95;
/// The chance of acceptance at the quality the consumer is protected from.
const CONSUMER: f64 = 0.10;
/// No plan asks for more units.
const SAMPLE_MAX: u64 = 10_000_000;

/// A sampling plan by attributes.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
pub struct AttributePlan {
    /// n: units in the sample.
    pub sample: u64,
    /// c: so many units of the sample may fail.
    pub accept: u64,
    /// Units in the lot; `None` for a large lot or a running production.
    pub lot: Option<u64>,
}

/// One point of an operating characteristic.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct OcPoint {
    /// Share of the lot that does not conform.
    pub nonconforming: f64,
    /// The chance that such a lot is accepted.
    pub accepted: f64,
}

/// What the units of a sample came to.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default, Serialize, Deserialize)]
pub struct SampleCount {
    /// Units that passed.
    pub pass: u64,
    /// Units that failed.
    pub fail: u64,
    /// Units that were measured and not decided.
    pub undecided: u64,
}

impl SampleCount {
    /// Counts verdicts.
    pub fn of(verdicts: impl IntoIterator<Item = Verdict>) -> Self {
        let mut count = Self::default();
        for verdict in verdicts {
            match verdict {
                Verdict::Pass => count.pass += 1,
                Verdict::Fail => count.fail += 1,
                Verdict::Undecided => count.undecided += 1,
            }
        }
        count
    }

    /// Units measured.
    pub fn measured(&self) -> u64 {
        self.pass + self.fail + self.undecided
    }
}

/// A lot judged by attributes.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct AttributeResult {
    /// The plan.
    pub plan: AttributePlan,
    /// The sample.
    pub count: SampleCount,
    /// Units of the sample still to be measured.
    pub not_measured: u64,
    /// Accepted, rejected, or neither yet.
    pub verdict: Verdict,
    /// The confidence of `conforming_at_least`.
    pub confidence: f64,
    /// At least this share of the lot conforms (Clopper and Pearson 1934, one-sided; of a lot of stated
    /// size, its hypergeometric counterpart). Undecided units count as not conforming here.
    pub conforming_at_least: f64,
    /// A lot with up to this share nonconforming is accepted in 95 % of cases.
    pub producer_quality: f64,
    /// A lot with more than this share nonconforming is accepted in less than 10 % of cases.
    pub consumer_quality: f64,
    /// Why, in plain sentences.
    pub reasons: Vec<String>,
}

impl AttributePlan {
    /// A plan that can be carried out.
    ///
    /// # Errors
    /// An empty sample, one that is larger than the lot, or one that accepts whatever comes.
    pub fn new(sample: u64, accept: u64, lot: Option<u64>) -> Result<Self, AnalysisError> {
        let reason = match lot {
            _ if sample == 0 || sample > SAMPLE_MAX => {
                format!("a sample of {sample} units is not between 1 and {SAMPLE_MAX}")
            }
            _ if accept >= sample => {
                format!("accepting with {accept} failures of {sample} units accepts any lot")
            }
            Some(size) if size < sample => {
                format!("{sample} units cannot be drawn from a lot of {size}")
            }
            _ => {
                return Ok(Self {
                    sample,
                    accept,
                    lot,
                });
            }
        };
        Err(AnalysisError::NotPossible {
            what: "a sampling plan",
            reason,
        })
    }

    /// The chance that a lot with this share nonconforming is accepted. Of a lot of stated size, the
    /// share stands for the nearest whole number of units.
    pub fn acceptance(&self, nonconforming: f64) -> f64 {
        let share = nonconforming.clamp(0.0, 1.0);
        match self.lot {
            Some(size) => self.acceptance_of((share * size as f64).round() as u64, size),
            None => Binomial::new(share, self.sample).map_or(f64::NAN, |b| b.cdf(self.accept)),
        }
    }

    fn acceptance_of(&self, nonconforming: u64, size: u64) -> f64 {
        Hypergeometric::new(size, nonconforming.min(size), self.sample)
            .map_or(f64::NAN, |h| h.cdf(self.accept))
    }

    /// The largest nonconforming share with which a lot is accepted with at least this chance.
    pub fn quality_accepted(&self, chance: f64) -> f64 {
        let Some(size) = self.lot else {
            return root_of_rising(0.0, 1.0, |share| chance - self.acceptance(share));
        };
        let (mut good, mut bad) = (0, size + 1);
        while bad - good > 1 {
            let middle = good + (bad - good) / 2;
            match self.acceptance_of(middle, size) >= chance {
                true => good = middle,
                false => bad = middle,
            }
        }
        good as f64 / size as f64
    }

    /// The operating characteristic from no nonconforming unit to where hardly a lot (one in a thousand)
    /// is accepted, in at most `points` steps.
    pub fn curve(&self, points: u32) -> Vec<OcPoint> {
        let end = self.quality_accepted(0.001);
        let last = f64::from(points.max(2) - 1);
        let mut curve: Vec<OcPoint> = (0..points.max(2))
            .map(|i| {
                let share = end * f64::from(i) / last;
                let nonconforming = match self.lot {
                    Some(size) => (share * size as f64).round() / size as f64,
                    None => share,
                };
                OcPoint {
                    nonconforming,
                    accepted: self.acceptance(nonconforming),
                }
            })
            .collect();
        curve.dedup_by(|a, b| a.nonconforming == b.nonconforming);
        curve
    }

    /// Judges a lot by its sample; `confidence` is that of the stated conforming share.
    ///
    /// # Errors
    /// More units than the plan has, none at all, or a confidence that is none.
    pub fn judge(
        &self,
        count: SampleCount,
        confidence: f64,
    ) -> Result<AttributeResult, AnalysisError> {
        check_share("a confidence", confidence)?;
        let measured = count.measured();
        if measured == 0 || measured > self.sample {
            return Err(AnalysisError::NotPossible {
                what: "the verdict on a lot",
                reason: format!(
                    "the plan has {} units and {measured} were measured; the plan is fixed before the first",
                    self.sample
                ),
            });
        }
        let not_measured = self.sample - measured;
        let open = count.undecided + not_measured;
        let verdict = if count.fail > self.accept {
            Verdict::Fail
        } else if count.fail + open <= self.accept {
            Verdict::Pass
        } else {
            Verdict::Undecided
        };
        let not_passed = count.fail + count.undecided;
        let conforming_at_least = match not_passed < measured {
            true => {
                let seen = Self {
                    sample: measured,
                    accept: not_passed,
                    lot: self.lot,
                };
                1.0 - seen.quality_accepted(1.0 - confidence)
            }
            false => 0.0,
        };
        let mut result = AttributeResult {
            plan: *self,
            count,
            not_measured,
            verdict,
            confidence,
            conforming_at_least,
            producer_quality: self.quality_accepted(PRODUCER),
            consumer_quality: self.quality_accepted(CONSUMER),
            reasons: Vec::new(),
        };
        result.reasons = reasons(&result);
        Ok(result)
    }
}

fn reasons(result: &AttributeResult) -> Vec<String> {
    let (plan, count) = (&result.plan, &result.count);
    let (n, c) = (plan.sample, plan.accept);
    let mut reasons = vec![match result.verdict {
        Verdict::Pass if count.undecided + result.not_measured > 0 => format!(
            "accepted: {} of {n} units failed and {c} may, even if every open unit failed too",
            count.fail
        ),
        Verdict::Pass => format!("accepted: {} of {n} units failed and {c} may", count.fail),
        Verdict::Fail => format!(
            "rejected: {} of {n} units failed and only {c} may",
            count.fail
        ),
        Verdict::Undecided => format!(
            "undecided: {} of {n} units failed, {c} may, and {} are open",
            count.fail,
            count.undecided + result.not_measured
        ),
    }];
    if count.undecided > 0 {
        reasons.push(format!(
            "{} units are undecided: they count neither as passed nor as failed; measure them again with \
             more dynamic range or less uncertainty",
            count.undecided
        ));
    }
    if result.not_measured > 0 {
        reasons.push(format!(
            "{} units are not measured yet",
            result.not_measured
        ));
    }
    reasons.push(format!(
        "with {} confidence at least {} of the lot conforms",
        percent(result.confidence),
        percent_down(result.conforming_at_least)
    ));
    reasons.push(format!(
        "this plan accepts 95 % of lots with {} nonconforming, and less than 10 % of lots with more than {}",
        percent(result.producer_quality),
        percent(result.consumer_quality)
    ));
    reasons
}

/// A share in per cent, three figures at most.
pub(super) fn percent(share: f64) -> String {
    let percent = 100.0 * share;
    let digits = if percent.fract().abs() < 1e-9 {
        0
    } else if percent < 1.0 {
        2
    } else {
        1
    };
    format!("{percent:.digits$} %")
}

/// The same, never more than the share.
pub(super) fn percent_down(share: f64) -> String {
    format!("{:.1} %", (1000.0 * share + 1e-9).floor() / 10.0)
}

/// The smallest sample of which `accept` units may fail and that still shows, with this confidence, that
/// at least the share `content` of the lot conforms. With none allowed it is the zero-failure sample
/// (59 for 95 % and 95 %); it is also the sample whose (`accept` + 1)-th smallest value is a lower
/// tolerance limit, whatever the distribution (Wilks 1941).
///
/// # Errors
/// Shares that are none, or a lot too small to show it.
pub fn smallest_sample(
    content: f64,
    confidence: f64,
    accept: u64,
    lot: Option<u64>,
) -> Result<u64, AnalysisError> {
    check_share("a content", content)?;
    check_share("a confidence", confidence)?;
    let refuse = |reason| AnalysisError::NotPossible {
        what: "a sample size",
        reason,
    };
    let most = lot.unwrap_or(SAMPLE_MAX);
    // The best of the lots that must not be accepted; the small addition forgives a rounding.
    let bad = lot.map(|size| ((1.0 - content) * size as f64 + 1e-9).floor() as u64 + 1);
    let accepted = |sample: u64| {
        let plan = AttributePlan {
            sample,
            accept,
            lot,
        };
        match (lot, bad) {
            (Some(size), Some(bad)) => plan.acceptance_of(bad, size),
            _ => plan.acceptance(1.0 - content),
        }
    };
    if accept >= most || accepted(most) > 1.0 - confidence {
        return Err(refuse(format!(
            "even {most} units with {accept} failures do not show that {} conform",
            percent(content)
        )));
    }
    let (mut short, mut enough) = (accept, most);
    while enough - short > 1 {
        let middle = short + (enough - short) / 2;
        match accepted(middle) > 1.0 - confidence {
            true => short = middle,
            false => enough = middle,
        }
    }
    Ok(enough)
}

#[cfg(test)]
mod tests {
    use super::*;

    fn near(found: f64, expected: f64, tolerance: f64) {
        assert!(
            (found - expected).abs() <= tolerance,
            "{found}, expected {expected}"
        );
    }

    fn plan(sample: u64, accept: u64, lot: Option<u64>) -> AttributePlan {
        AttributePlan::new(sample, accept, lot).expect("a plan")
    }

    #[test]
    fn operating_characteristic() {
        // ORACLES B14, B15: binomial, in the manner of ISO 2859-1.
        let fifty = plan(50, 1, None);
        for (share, expected) in [
            (0.005, 0.9738685),
            (0.01, 0.9105647),
            (0.02, 0.7357714),
            (0.05, 0.2794318),
            (0.10, 0.03378586),
        ] {
            near(fifty.acceptance(share), expected, 1e-7);
        }
        near(plan(80, 1, None).acceptance(0.0065), 0.9041579, 1e-7);
        near(plan(20, 0, None).acceptance(0.0065), 0.8777229, 1e-7);
        near(plan(13, 0, None).acceptance(0.01), 0.8775210, 1e-7);
        near(plan(13, 0, None).acceptance(0.10), 0.2541866, 1e-7);
        assert_eq!((fifty.acceptance(0.0), fifty.acceptance(1.0)), (1.0, 0.0));
    }

    #[test]
    fn a_finite_lot_is_hypergeometric() {
        // Without acceptance number: (N-D choose n) / (N choose n), by hand for N = 10, n = 3, D = 2.
        near(plan(3, 0, Some(10)).acceptance(0.2), 56.0 / 120.0, 1e-12);
        // c = 1: one more term, 2 (8 choose 2) = 56.
        near(plan(3, 1, Some(10)).acceptance(0.2), 112.0 / 120.0, 1e-12);
        // Computed with scipy 1.17 `hypergeom.cdf(1, 200, 10, 32)`.
        near(
            plan(32, 1, Some(200)).acceptance(0.05),
            0.5040188952832003,
            1e-9,
        );
        // All units measured: nothing is left to chance.
        let all = plan(20, 1, Some(20));
        near(all.acceptance(0.05), 1.0, 1e-12);
        near(all.acceptance(0.10), 0.0, 1e-12);
        // A large lot behaves as an endless one.
        near(
            plan(50, 1, Some(1_000_000)).acceptance(0.02),
            plan(50, 1, None).acceptance(0.02),
            1e-5,
        );
    }

    #[test]
    fn the_curve_falls_and_its_qualities_are_on_it() {
        for lot in [None, Some(200)] {
            let plan = plan(32, 1, lot);
            let curve = plan.curve(41);
            assert_eq!(
                curve[0],
                OcPoint {
                    nonconforming: 0.0,
                    accepted: 1.0
                }
            );
            assert!(
                curve
                    .windows(2)
                    .all(|p| p[0].nonconforming < p[1].nonconforming
                        && p[0].accepted >= p[1].accepted)
            );
            for chance in [0.95, 0.5, 0.1] {
                let share = plan.quality_accepted(chance);
                let beyond = share + lot.map_or(1e-9, |size: u64| 1.0 / size as f64);
                assert!(plan.acceptance(share) >= chance - 1e-9);
                assert!(plan.acceptance(beyond) < chance, "{lot:?} {chance}");
            }
        }
    }

    #[test]
    fn zero_failure_and_nonparametric_sample_sizes() {
        // ORACLES B17 (binomial) and B18 (Wilks 1941, ISO 16269-6).
        for (content, confidence, accept, expected) in [
            (0.95, 0.95, 0, 59),
            (0.90, 0.95, 0, 29),
            (0.90, 0.90, 0, 22),
            (0.99, 0.95, 0, 299),
            (0.99, 0.99, 0, 459),
            (0.95, 0.95, 1, 93),
            (0.95, 0.95, 2, 124),
        ] {
            assert_eq!(
                smallest_sample(content, confidence, accept, None),
                Ok(expected),
                "{content} {confidence} {accept}"
            );
        }
        near(plan(59, 0, None).acceptance(0.05), 0.04849453, 1e-8);
        near(plan(58, 0, None).acceptance(0.05), 0.05104687, 1e-8);
    }

    #[test]
    fn a_small_lot_needs_fewer_units() {
        // By hand: of 20 units at least 19 must conform, so two bad ones must be caught. Passing n of 20
        // leaves (20-n)(19-n)/380 for missing both: 0.0553 for 15, 0.0316 for 16.
        assert_eq!(smallest_sample(0.95, 0.95, 0, Some(20)), Ok(16));
        assert_eq!(smallest_sample(0.95, 0.95, 0, Some(5_000_000)), Ok(59));
        assert!(
            smallest_sample(0.95, 0.95, 3, Some(20)).is_err(),
            "two bad units pass with c = 3"
        );
        assert!(smallest_sample(1.0, 0.95, 0, None).is_err());
    }

    fn judged(count: (u64, u64, u64)) -> AttributeResult {
        let (pass, fail, undecided) = count;
        plan(13, 1, None)
            .judge(
                SampleCount {
                    pass,
                    fail,
                    undecided,
                },
                0.95,
            )
            .expect("judged")
    }

    #[test]
    fn open_units_neither_accept_nor_reject_a_lot() {
        assert_eq!(judged((13, 0, 0)).verdict, Verdict::Pass);
        assert_eq!(
            judged((12, 0, 1)).verdict,
            Verdict::Pass,
            "even if it failed"
        );
        assert_eq!(
            judged((12, 0, 0)).verdict,
            Verdict::Pass,
            "the last cannot reject it"
        );
        assert_eq!(judged((11, 1, 1)).verdict, Verdict::Undecided);
        assert_eq!(judged((11, 0, 0)).verdict, Verdict::Undecided);
        assert_eq!(
            judged((3, 2, 8)).verdict,
            Verdict::Fail,
            "whatever the others are"
        );
        let open = judged((11, 1, 1));
        assert!(
            open.reasons[0].starts_with("undecided: 1 of 13 units failed, 1 may, and 1 are open")
        );
        assert!(
            plan(13, 1, None)
                .judge(
                    SampleCount {
                        pass: 14,
                        ..Default::default()
                    },
                    0.95
                )
                .is_err()
        );
    }

    #[test]
    fn states_what_the_sample_shows() {
        // Clopper and Pearson with no failure: confidence = 1 - share^n.
        near(
            judged((13, 0, 0)).conforming_at_least,
            0.05f64.powf(1.0 / 13.0),
            1e-9,
        );
        // Computed with scipy 1.17: 1 - beta.ppf(0.95, 2, 12), one failure or one undecided of 13.
        for count in [(12, 1, 0), (12, 0, 1)] {
            near(judged(count).conforming_at_least, 0.6836602352372703, 1e-9);
        }
        assert_eq!(judged((0, 0, 13)).conforming_at_least, 0.0);
    }
}
