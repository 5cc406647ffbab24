//! The next test: at which frequencies, on which face, would one more reading tell most?
//!
//! Two things can be gained from a reading: narrower intervals (the determinant of the Fisher information,
//! D-optimal) and a decision between explanations that the data leave open (their distance in units of the
//! reading's uncertainty, T-optimal). Both are counted in nats and added, each reading picked in the light of those
//! picked before; a reading that the set-up would not see counts as little as it would tell.

use nalgebra::{DMatrix, DVector};
use serde::Serialize;

use super::explain::{Candidate, Explanation};
use super::fit::log_normal_cdf;
use super::{Basis, ShieldError, positive};
use crate::quantity::Frequency;

/// What could be measured next.
#[derive(Debug, Clone)]
pub struct Choice {
    /// The face, or whatever tells this curve from the others.
    pub face: String,
    /// Its explanation so far.
    pub explanation: Explanation,
}

/// One proposed reading.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct NextReading {
    /// The face.
    pub face: String,
    /// Where.
    pub frequency_hz: f64,
    /// What is expected there.
    pub expected_se_db: f64,
    /// Chance that the set-up sees it at all, 1 where its dynamic range was not given.
    pub chance_seen: f64,
    /// Expected gain from narrower intervals, nats.
    pub sharpening_nats: f64,
    /// Expected gain towards a decision between explanations, nats.
    pub deciding_nats: f64,
    /// Expected variance of the parameter that gains most, over its present one.
    pub variance_ratio: f64,
    /// That parameter.
    pub parameter: Option<&'static str>,
}

/// Readings in the order in which they tell most.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct NextTest {
    /// Best first.
    pub readings: Vec<NextReading>,
    /// Source and validity.
    #[serde(flatten)]
    pub basis: Basis,
}

/// What the next readings will be like.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Outlook<'a> {
    /// Frequencies that can be chosen.
    pub frequencies: &'a [Frequency],
    /// Standard uncertainty of a reading.
    pub u_db: f64,
    /// Largest SE that the set-up can see at a frequency, `None` for no limit.
    pub dynamic_range_db: Option<f64>,
    /// How many readings to propose.
    pub readings: usize,
}

const BASIS: Basis = Basis {
    source: "sequential D-optimal and T-optimal design (Atkinson and Donev, Optimum Experimental Designs)",
    validity: "as good as the explanations it starts from; local linearisation; says nothing of leaks that no \
               explanation so far contains",
};

/// Proposes readings over all faces.
///
/// # Errors
/// For no face with a fitted explanation, no frequency, or numbers that are not positive.
pub fn next_test(faces: &[Choice], outlook: &Outlook) -> Result<NextTest, ShieldError> {
    positive("uncertainty", outlook.u_db)?;
    for f in outlook.frequencies {
        positive("frequency", f.hz())?;
    }
    let mut boards: Vec<Board> = faces
        .iter()
        .filter_map(|face| Board::new(face, outlook))
        .collect();
    for (what, given) in [
        ("explained faces", boards.len()),
        ("frequencies", outlook.frequencies.len()),
    ] {
        if given == 0 {
            return Err(ShieldError::TooFew {
                what,
                given,
                needed: 1,
            });
        }
    }
    let mut readings = Vec::new();
    for _ in 0..outlook.readings {
        let offers = boards.iter().enumerate().flat_map(|(at, board)| {
            let open = outlook
                .frequencies
                .iter()
                .filter(|f| !board.picked_hz.contains(&f.hz()));
            open.map(move |f| (at, board.offer(f.hz(), outlook)))
        });
        let gain = |reading: &NextReading| reading.sharpening_nats + reading.deciding_nats;
        let Some((at, best)) = offers.max_by(|a, b| gain(&a.1).total_cmp(&gain(&b.1))) else {
            break;
        };
        boards[at].take(best.frequency_hz, outlook);
        readings.push(best);
    }
    Ok(NextTest {
        readings,
        basis: BASIS,
    })
}

/// One face's state of knowledge while readings are being picked.
struct Board<'a> {
    face: &'a Choice,
    /// Inverse Fisher information of the leaks' parameters.
    covariance: DMatrix<f64>,
    /// How far apart the best two explanations are already, by the readings picked, in nats.
    decided: f64,
    /// Frequencies picked: the same one again would mostly repeat its own errors.
    picked_hz: Vec<f64>,
}

impl<'a> Board<'a> {
    fn new(face: &'a Choice, outlook: &Outlook) -> Option<Self> {
        let best = face.explanation.candidates.first()?;
        let size = best.model.size();
        // A weak prior (a factor of e each way per parameter) keeps what the data do not set finite.
        let mut information = DMatrix::identity(size, size);
        for point in &face.explanation.used {
            let (slope, weight) = gradient(
                face,
                point.frequency_hz,
                point.u_db,
                point.dynamic_range_db.or(outlook.dynamic_range_db),
            );
            information += &slope * slope.transpose() * weight;
        }
        Some(Self {
            face,
            covariance: information.try_inverse()?,
            decided: 0.0,
            picked_hz: Vec::new(),
        })
    }

    /// What a reading here would be worth.
    fn offer(&self, f_hz: f64, outlook: &Outlook) -> NextReading {
        let explanation = &self.face.explanation;
        let best = &explanation.candidates[0];
        let (slope, weight) = gradient(self.face, f_hz, outlook.u_db, outlook.dynamic_range_db);
        let spread = &self.covariance * &slope;
        let gain = weight * slope.dot(&spread);
        let (most, ratio) = (0..slope.len())
            .map(|i| {
                (
                    i,
                    1.0 - weight * spread[i] * spread[i] / (1.0 + gain) / self.covariance[(i, i)],
                )
            })
            .min_by(|a, b| a.1.total_cmp(&b.1))
            .unwrap_or((0, 1.0));
        let parameter = best
            .model
            .placed()
            .find_map(|(leak, at)| leak.parameters().get(most.checked_sub(at)?).copied());
        let expected_se_db = expected(best, f_hz, outlook.dynamic_range_db);
        NextReading {
            face: self.face.face.clone(),
            frequency_hz: f_hz,
            expected_se_db,
            chance_seen: chance_seen(
                expected_se_db,
                sigma(self.face, outlook.u_db),
                outlook.dynamic_range_db,
            ),
            sharpening_nats: 0.5 * gain.ln_1p(),
            deciding_nats: self.deciding(f_hz, outlook),
            variance_ratio: ratio,
            parameter,
        }
    }

    /// The best explanation of other kinds than the best of all, if there is one.
    fn rival(&self) -> Option<&Candidate> {
        let candidates = &self.face.explanation.candidates;
        let kinds = |candidate: &Candidate| -> Vec<_> {
            candidate
                .model
                .leaks
                .iter()
                .map(|leak| leak.kind())
                .collect()
        };
        let best = kinds(&candidates[0]);
        candidates.iter().find(|candidate| kinds(candidate) != best)
    }

    /// Half the squared distance of the two explanations here, as the set-up would see it, in nats.
    fn distance_nats(&self, rival: &Candidate, f_hz: f64, outlook: &Outlook) -> f64 {
        let see = |candidate| {
            let se_db = expected(candidate, f_hz, outlook.dynamic_range_db);
            outlook
                .dynamic_range_db
                .map_or(se_db, |range_db| se_db.min(range_db))
        };
        let apart_db = see(&self.face.explanation.candidates[0]) - see(rival);
        0.5 * (apart_db / sigma(self.face, outlook.u_db)).powi(2)
    }

    /// How much of the open choice between the two best explanations a reading here settles.
    fn deciding(&self, f_hz: f64, outlook: &Outlook) -> f64 {
        let Some(rival) = self.rival() else {
            return 0.0;
        };
        let share = rival.weight / (self.face.explanation.candidates[0].weight + rival.weight);
        // What is left to decide: the entropy of the choice, used up by what was picked before.
        let part = |share: f64| -share * share.max(1e-12).ln();
        let open = part(share) + part(1.0 - share);
        let settled = |nats: f64| open * (1.0 - (-nats).exp());
        settled(self.decided + self.distance_nats(rival, f_hz, outlook)) - settled(self.decided)
    }

    /// Learns as if the reading had been taken.
    fn take(&mut self, f_hz: f64, outlook: &Outlook) {
        self.picked_hz.push(f_hz);
        self.decided += self
            .rival()
            .map_or(0.0, |rival| self.distance_nats(rival, f_hz, outlook));
        let (slope, weight) = gradient(self.face, f_hz, outlook.u_db, outlook.dynamic_range_db);
        let spread = &self.covariance * &slope;
        let gain = weight * slope.dot(&spread);
        self.covariance -= &spread * spread.transpose() * (weight / (1.0 + gain));
    }
}

fn expected(candidate: &Candidate, f_hz: f64, dynamic_range_db: Option<f64>) -> f64 {
    // Where no range is stated there is no floor to see.
    let range_db = dynamic_range_db.unwrap_or(1e3);
    candidate
        .model
        .se_db(&candidate.fit.theta, f_hz, range_db)
        .0
}

/// Uncertainty of a reading and scatter about the explanation together.
fn sigma(face: &Choice, u_db: f64) -> f64 {
    u_db.hypot(face.explanation.scatter_db)
}

fn chance_seen(se_db: f64, sigma_db: f64, dynamic_range_db: Option<f64>) -> f64 {
    dynamic_range_db.map_or(1.0, |range_db| {
        log_normal_cdf((range_db - se_db) / sigma_db).0.exp()
    })
}

/// Slope of the SE by the parameters of the best explanation, and the weight of a reading.
fn gradient(
    face: &Choice,
    f_hz: f64,
    u_db: f64,
    dynamic_range_db: Option<f64>,
) -> (DVector<f64>, f64) {
    let best = &face.explanation.candidates[0];
    let range_db = dynamic_range_db.unwrap_or(1e3);
    let (se_db, slope) = best.model.se_db(&best.fit.theta, f_hz, range_db);
    let sigma_db = sigma(face, u_db);
    let slope = DVector::from_column_slice(&slope[..best.model.size()]);
    (
        slope,
        chance_seen(se_db, sigma_db, dynamic_range_db) / (sigma_db * sigma_db),
    )
}

#[cfg(test)]
mod tests {
    use super::super::check::near;
    use super::super::curve::{CurvePoint, PointKind};
    use super::super::explain::{Excitation, explain};
    use super::*;

    /// A film of 0.1 ohm per square and a slot of 0.3 mm in power, read with a little fixed noise up to 300 MHz.
    fn face(name: &str, u_db: f64) -> Choice {
        let noise = [0.4, -0.7, 0.1, 0.9, -0.5, -0.2, 0.6, -0.8, 0.3, -0.1, 0.5];
        let points: Vec<CurvePoint> = (0..21)
            .map(|i| {
                let frequency_hz = 1e7 * 30f64.powf(f64::from(i) / 20.0);
                let slot = 2.0 * 3e-4 * frequency_hz / 299_792_458.0;
                let film = 0.2 / 376.93;
                CurvePoint {
                    frequency_hz,
                    se_db: -10.0 * (slot * slot + film * film).log10()
                        + u_db * noise[i as usize % 11],
                    u_db,
                    kind: PointKind::Measured,
                    dynamic_range_db: None,
                }
            })
            .collect();
        let explanation = explain(&points, None, Excitation::PlaneWave).expect("a curve");
        Choice {
            face: name.into(),
            explanation,
        }
    }

    fn outlook(frequencies: &[Frequency]) -> Outlook<'_> {
        Outlook {
            frequencies,
            u_db: 0.7,
            dynamic_range_db: Some(90.0),
            readings: 4,
        }
    }

    fn grid() -> Vec<Frequency> {
        (0..31)
            .map(|i| Frequency::from_hz(1e6 * 1000f64.powf(f64::from(i) / 30.0)))
            .collect()
    }

    #[test]
    fn asks_where_the_curves_part() {
        let frequencies = grid();
        let got = next_test(&[face("front", 0.7)], &outlook(&frequencies))
            .expect("a face")
            .readings;
        assert_eq!(got.len(), 4);
        // The slot is half hidden by the film up to 300 MHz: it shows best at the highest frequency offered.
        assert!((got[0].frequency_hz / 1e9 - 1.0).abs() < 1e-9, "{got:?}");
        assert_eq!(got[0].parameter, Some("slot_length_m"));
        for reading in &got {
            assert!(reading.variance_ratio < 1.0 && reading.variance_ratio > 0.0);
            assert!(reading.sharpening_nats > 0.0 && reading.deciding_nats >= 0.0);
            assert!(reading.parameter.is_some());
        }
        // Each reading is worth less than the one before it: what is learnt is not learnt twice.
        for two in got.windows(2) {
            let gain = |r: &NextReading| r.sharpening_nats + r.deciding_nats;
            assert!(gain(&two[0]) >= gain(&two[1]) - 1e-9);
        }
    }

    #[test]
    fn asks_for_what_decides() {
        // 10 dB a decade over a third of one, 2 dB uncertainty: sheet, slot or seam, nobody can tell from that.
        let noise = [0.5, -0.6, 0.2, -0.4, 0.7, -0.3, 0.1];
        let points: Vec<CurvePoint> = (0..7)
            .map(|i| CurvePoint {
                frequency_hz: 1e8 * 1.12f64.powi(i),
                se_db: 50.0 - 0.5 * f64::from(i) + noise[i as usize],
                u_db: 2.0,
                kind: PointKind::Measured,
                dynamic_range_db: None,
            })
            .collect();
        let explanation = explain(&points, None, Excitation::PlaneWave).expect("a curve");
        assert_eq!(explanation.named().count(), 0, "{}", explanation.sentence);
        let face = Choice {
            face: "front".into(),
            explanation,
        };
        let frequencies = grid();
        let got = next_test(&[face], &outlook(&frequencies))
            .expect("a face")
            .readings;
        // Far from where all explanations agree.
        assert!(
            got[0].frequency_hz < 3e7 || got[0].frequency_hz > 5e8,
            "{got:?}"
        );
        assert!(got[0].deciding_nats > 0.1, "{got:?}");
    }

    #[test]
    fn the_face_known_worse_comes_first() {
        let frequencies = grid();
        let got = next_test(
            &[face("front", 0.3), face("back", 2.0)],
            &outlook(&frequencies),
        )
        .expect("faces");
        assert_eq!(got.readings[0].face, "back");
    }

    #[test]
    fn what_cannot_be_seen_tells_nothing() {
        let frequencies = [Frequency::from_hz(1e7)];
        let blind = Outlook {
            dynamic_range_db: Some(30.0),
            readings: 1,
            ..outlook(&frequencies)
        };
        let got = next_test(&[face("front", 0.7)], &blind)
            .expect("a face")
            .readings;
        near(got[0].chance_seen, 0.0, 1e-9);
        near(got[0].sharpening_nats, 0.0, 1e-6);
        near(got[0].variance_ratio, 1.0, 1e-6);
    }

    #[test]
    fn a_reading_narrows_as_foretold() {
        // One flat sheet and n equal readings: the variance falls as n/(n + 1) (textbook), here from 21 to 22.
        let noise = [0.4, -0.7, 0.1, 0.9, -0.5, -0.2, 0.6];
        let points: Vec<CurvePoint> = (0..21)
            .map(|i| CurvePoint {
                frequency_hz: 1e8 * 1.1f64.powi(i),
                se_db: 40.0 + noise[i as usize % 7],
                u_db: 0.7,
                kind: PointKind::Measured,
                dynamic_range_db: None,
            })
            .collect();
        let explanation = explain(&points, None, Excitation::PlaneWave).expect("a curve");
        let face = Choice {
            face: "front".into(),
            explanation,
        };
        let frequencies = [Frequency::from_hz(2e8)];
        let got = next_test(
            &[face],
            &Outlook {
                readings: 1,
                ..outlook(&frequencies)
            },
        )
        .expect("a face")
        .readings;
        near(got[0].variance_ratio, 21.0 / 22.0, 2e-3);
    }

    #[test]
    fn refuses_nothing_to_choose_from() {
        let frequencies = grid();
        assert!(next_test(&[], &outlook(&frequencies)).is_err());
        assert!(next_test(&[face("front", 0.7)], &outlook(&[])).is_err());
    }
}
