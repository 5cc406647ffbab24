//! One run as a document: what `--json` prints, what the table and the picture are drawn from.

use serde::Serialize;

use super::chart::{Chart, Kind, Mark, Series};
use crate::analysis::budget::Budget;
use crate::config::Plan;
use crate::evaluate::{EvaluateError, kept};
use crate::quantity::{Frequency, one_decimal};
use crate::store::{
    ReadingKind, ResultKind, ResultRecord, RunKind, RunRecord, Store, StoreError, Verdict,
};

/// A run with all its points.
#[derive(Debug, Clone, Serialize)]
pub struct RunDocument {
    /// Its id.
    pub run: String,
    /// `reference` or `item`.
    pub kind: RunKind,
    /// The item's serial.
    pub item: Option<String>,
    /// Its model as it was.
    pub model: Option<String>,
    /// Its lot as it was.
    pub lot: Option<String>,
    /// The plan's name.
    pub plan: String,
    /// The station's name.
    pub station: String,
    /// The run it was subtracted from.
    pub reference_run: Option<String>,
    /// Who measured.
    pub operator: Option<String>,
    /// When it began.
    pub started: String,
    /// When it became complete.
    pub finished: Option<String>,
    /// `running`, `stopped`, `complete` or `failed`.
    pub state: String,
    /// Why it stopped or failed.
    pub reason: Option<String>,
    /// The worst verdict of its points.
    pub verdict: Option<Verdict>,
    /// Its points, in the order of frequency, face, polarisation, repeat.
    pub points: Vec<PointDocument>,
    /// The limit line of the plan, Hz and dB.
    #[serde(skip)]
    pub limit: Vec<(f64, f64)>,
}

/// One point of a run.
#[derive(Debug, Clone, Serialize)]
pub struct PointDocument {
    /// Test frequency, Hz.
    pub frequency_hz: f64,
    /// The side of the item that looked at the antenna; `open` in a reference.
    pub face: String,
    /// `horizontal` or `vertical`.
    pub polarisation: String,
    /// Which closing, from 1.
    pub repeat: u32,
    /// The reference as shown, dBm.
    pub reference_dbm: Option<f64>,
    /// The reading with the item as shown, dBm.
    pub level_dbm: Option<f64>,
    /// The floor as shown, dBm.
    pub floor_dbm: Option<f64>,
    /// SE, or its lower bound, dB.
    pub se_db: Option<f64>,
    /// `measured`, `at_least` or `none`.
    pub kind: ResultKind,
    /// Expanded uncertainty of a measured SE, dB.
    pub u_db: Option<f64>,
    /// Its coverage factor.
    pub k: Option<f64>,
    /// By how much taking the noise off raised the SE over reference minus level, dB.
    pub noise_correction_db: Option<f64>,
    /// The largest SE that would have been seen, dB.
    pub dynamic_range_db: Option<f64>,
    /// Required SE, dB.
    pub limit_db: Option<f64>,
    /// SE minus limit, dB.
    pub margin_db: Option<f64>,
    /// Probability that the limit is met.
    pub conformity: Option<f64>,
    /// The judgement at this point.
    pub verdict: Option<Verdict>,
    /// What is to be known about it, as words.
    pub flags: Vec<String>,
    /// The uncertainty budget; of a bound, all but the item's noise.
    #[serde(skip)]
    pub budget: Option<Budget>,
    /// The true SE where a simulated bench gives it away.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub true_se_db: Option<f64>,
}

impl PointDocument {
    /// The SE as a person reads it: `52.0`, `≥ 64.0` or `–`. A bound is never rounded up.
    pub fn se_text(&self) -> String {
        Self::se_words(self.kind, self.se_db)
    }

    /// The margin as a person reads it; of a bound never rounded up.
    pub fn margin_text(&self) -> String {
        match (self.kind, self.margin_db) {
            (ResultKind::AtLeast, Some(margin_db)) => format!("{:+.1}", round_down(margin_db)),
            (_, Some(margin_db)) => format!("{margin_db:+.1}"),
            (_, None) => "–".to_owned(),
        }
    }

    /// [`Self::se_text`] of a kind and a value.
    pub fn se_words(kind: ResultKind, se_db: Option<f64>) -> String {
        match (kind, se_db) {
            (ResultKind::Measured, Some(se_db)) => one_decimal(se_db),
            (ResultKind::AtLeast, Some(se_db)) => format!("≥ {:.1}", round_down(se_db)),
            _ => "–".to_owned(),
        }
    }
}

/// To one decimal, downwards, but for what is only the rounding of the machine.
fn round_down(db: f64) -> f64 {
    (db * 10.0 + 1e-6).floor() / 10.0
}

impl RunDocument {
    /// From the store alone.
    pub async fn read(store: &Store, run: &RunRecord) -> Result<Self, EvaluateError> {
        let (plan, station) = kept(store, run).await?;
        let mut points = match run.kind {
            RunKind::Item => store
                .results(run.id)
                .await?
                .iter()
                .map(PointDocument::from)
                .collect(),
            RunKind::Reference => reference_points(store, run).await?,
        };
        points.sort_by(|a: &PointDocument, b: &PointDocument| {
            (a.frequency_hz.to_bits(), &a.face, &a.polarisation, a.repeat).cmp(&(
                b.frequency_hz.to_bits(),
                &b.face,
                &b.polarisation,
                b.repeat,
            ))
        });
        Ok(Self {
            run: run.id.to_string(),
            kind: run.kind,
            item: run.item.clone(),
            model: run.model.clone(),
            lot: run.lot.clone(),
            plan: plan.name.clone(),
            station: station.name,
            reference_run: run.reference_run.map(|id| id.to_string()),
            operator: run.operator.clone(),
            started: run.started.to_string(),
            finished: run.finished.map(|time| time.to_string()),
            state: run.state.to_string(),
            reason: run.reason.clone(),
            verdict: run.verdict,
            points,
            limit: limit(&plan),
        })
    }

    /// The point with the least margin, or with the least SE where there is no limit.
    pub fn worst(&self) -> Option<&PointDocument> {
        let rank = |point: &PointDocument| point.margin_db.or(point.se_db);
        self.points
            .iter()
            .filter(|point| rank(point).is_some())
            .min_by(|a, b| {
                rank(a)
                    .partial_cmp(&rank(b))
                    .unwrap_or(std::cmp::Ordering::Equal)
            })
    }

    /// The verdict in one sentence, with where it is decided.
    pub fn sentence(&self) -> String {
        let worst = self.worst().map(|point| {
            let at = Frequency::from_hz(point.frequency_hz);
            let where_ = format!("{at}, {}, {}", point.face, point.polarisation);
            match point.margin_db {
                Some(margin) => format!(
                    "least margin {margin:+.1} dB at {where_} (SE {} dB)",
                    point.se_text()
                ),
                None => format!("least SE {} dB at {where_}", point.se_text()),
            }
        });
        let verdict = match self.verdict {
            Some(Verdict::Pass) => "pass",
            Some(Verdict::Fail) => "fail",
            Some(Verdict::Undecided) => "undecided",
            None if self.state != "complete" => "not complete",
            None => "not judged",
        };
        match worst {
            Some(worst) => format!("{verdict}: {worst}"),
            None => verdict.to_owned(),
        }
    }

    /// At each frequency the point that decides: the least SE or bound of all faces, polarisations and
    /// repeats.
    pub fn deciding(&self) -> Vec<&PointDocument> {
        let mut deciding: Vec<&PointDocument> = Vec::new();
        for point in self.points.iter().filter(|point| point.se_db.is_some()) {
            match deciding.last_mut() {
                Some(last) if last.frequency_hz == point.frequency_hz => {
                    if point.se_db < last.se_db {
                        *last = point;
                    }
                }
                _ => deciding.push(point),
            }
        }
        deciding
    }

    /// The picture of what decides over frequency, for a panel among others.
    pub fn deciding_chart(&self) -> Chart {
        let verdict = match (self.verdict, self.worst().and_then(|worst| worst.margin_db)) {
            (Some(verdict), Some(margin)) => format!("{verdict}, least margin {margin:+.1} dB"),
            _ => self.sentence(),
        };
        Chart {
            series: vec![Series {
                label: "least of all faces and polarisations".to_owned(),
                points: self.deciding().into_iter().map(mark).collect(),
            }],
            verdict: Some(verdict),
            ..self.chart()
        }
    }

    /// The picture of SE over frequency.
    pub fn chart(&self) -> Chart {
        let mut series: Vec<Series> = Vec::new();
        for point in &self.points {
            let label = format!("{}, {}", point.face, point.polarisation);
            let mark = mark(point);
            match series.iter_mut().find(|series| series.label == label) {
                Some(series) => series.points.push(mark),
                None => series.push(Series {
                    label,
                    points: vec![mark],
                }),
            }
        }
        let parts = [
            self.model.clone(),
            Some(self.plan.clone()),
            Some(self.station.clone()),
        ];
        Chart {
            title: self.item.clone().unwrap_or_else(|| "reference".to_owned()),
            subtitle: parts.into_iter().flatten().collect::<Vec<_>>().join(" · "),
            verdict: Some(self.sentence()),
            limit: self.limit.clone(),
            series,
            visible: self.visible(),
            footer: format!("run {} · {}", self.run, self.started),
        }
    }

    /// At each frequency the least dynamic range of all faces and polarisations.
    fn visible(&self) -> Vec<(f64, f64)> {
        let mut visible: Vec<(f64, f64)> = Vec::new();
        for point in &self.points {
            let Some(range) = point.dynamic_range_db else {
                continue;
            };
            match visible.last_mut() {
                Some((frequency, least)) if *frequency == point.frequency_hz => {
                    *least = least.min(range);
                }
                _ => visible.push((point.frequency_hz, range)),
            }
        }
        visible
    }
}

fn mark(point: &PointDocument) -> Mark {
    Mark {
        frequency_hz: point.frequency_hz,
        se_db: point.se_db.unwrap_or(f64::NAN),
        u_db: point.u_db,
        kind: match point.kind {
            ResultKind::Measured => Kind::Measured,
            ResultKind::AtLeast => Kind::AtLeast,
            ResultKind::None => Kind::None,
        },
    }
}

fn limit(plan: &Plan) -> Vec<(f64, f64)> {
    plan.limit.iter().map(|(f, se)| (f.hz(), se.db())).collect()
}

impl From<&ResultRecord> for PointDocument {
    fn from(result: &ResultRecord) -> Self {
        let point = &result.point;
        Self {
            frequency_hz: point.frequency_hz,
            face: point.face.clone(),
            polarisation: point.polarisation.clone(),
            repeat: point.repeat,
            reference_dbm: result.reference_dbm,
            level_dbm: result.level_dbm,
            floor_dbm: result.floor_dbm,
            se_db: result.se_db,
            kind: result.kind,
            u_db: result.u_db,
            k: result.k,
            noise_correction_db: result.detail["noise_correction_db"].as_f64(),
            dynamic_range_db: result.detail["dynamic_range_db"].as_f64(),
            limit_db: result.limit_db,
            margin_db: result.margin_db,
            conformity: result.conformity,
            verdict: result.verdict,
            flags: result.flags.clone(),
            budget: serde_json::from_value(result.detail["budget"].clone()).ok(),
            true_se_db: None,
        }
    }
}

/// A reference states no SE: its points are the levels and floors it read.
async fn reference_points(
    store: &Store,
    run: &RunRecord,
) -> Result<Vec<PointDocument>, StoreError> {
    let readings = store.readings(run.id).await?;
    let floor = |signal: &crate::store::ReadingRecord| {
        readings
            .iter()
            .find(|r| r.key.kind == ReadingKind::Floor && r.key.point == signal.key.point)
            .map(|reading| reading.peak_dbm)
    };
    Ok(readings
        .iter()
        .filter(|reading| reading.key.kind == ReadingKind::Signal)
        .map(|signal| {
            let floor_dbm = floor(signal);
            PointDocument {
                frequency_hz: signal.key.point.frequency_hz,
                face: signal.key.point.face.clone(),
                polarisation: signal.key.point.polarisation.clone(),
                repeat: signal.key.point.repeat,
                reference_dbm: Some(signal.peak_dbm),
                level_dbm: None,
                floor_dbm,
                se_db: None,
                kind: ResultKind::None,
                u_db: None,
                k: None,
                noise_correction_db: None,
                dynamic_range_db: floor_dbm.map(|floor| signal.peak_dbm - floor),
                limit_db: None,
                margin_db: None,
                conformity: None,
                verdict: None,
                flags: signal.flags.clone(),
                budget: None,
                true_se_db: None,
            }
        })
        .collect())
}
