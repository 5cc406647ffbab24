//! What several runs rest on: their set-ups in short, the versions that measured and judged them, and the checksums of
//! their traces.

use serde_json::Value;

use super::{nothing, number};
use crate::evaluate::{EvaluateError, kept};
use crate::quantity::Length;
use crate::report::ReportError;
use crate::report::document::{Cell, Column, Section, Table};
use crate::report::texts::Texts;
use crate::store::{RunId, RunRecord, Store};

/// What each of several runs rests on, in the order they are named.
#[derive(Debug, Clone, Default)]
pub struct Proofs(Vec<Proof>);

#[derive(Debug, Clone)]
struct Proof {
    record: RunRecord,
    /// Station, plan and distance; none where the readings were taken by hand.
    set_up: Option<(String, String, Length)>,
    analysis: Option<u32>,
    traces: u64,
    sha256: String,
}

impl Proofs {
    /// Reads it, each run once.
    ///
    /// # Errors
    /// What the store or the files kept with the runs say.
    pub async fn read(
        store: &Store,
        runs: impl IntoIterator<Item = RunId>,
    ) -> Result<Self, ReportError> {
        let mut proofs: Vec<Proof> = Vec::new();
        for run in runs {
            if proofs.iter().any(|proof| proof.record.id == run) {
                continue;
            }
            proofs.push(Proof::read(store, store.run(run).await?).await?);
        }
        Ok(Self(proofs))
    }

    /// The section that a report carries.
    pub(super) fn section(&self, texts: &Texts) -> Section {
        let mut section = Section::new("recompute", texts.say("recompute.title"));
        section.text(texts.fill(
            "recompute.several",
            &[("version", env!("CARGO_PKG_VERSION"))],
        ));
        let title = |key| texts.say(key).to_owned();
        section.table(Table {
            name: "recompute",
            caption: texts.say("recompute.several_caption").to_owned(),
            columns: vec![
                Column::text("run", title("runs.run")),
                Column::text("item", title("job.item")),
                Column::text("station", title("job.station")),
                Column::text("plan", title("job.plan")),
                Column::number("distance_m", title("recompute.distance")),
                Column::text("measured_by", title("recompute.measured_by")),
                Column::number("analysis", title("recompute.analysis")),
                Column::number("traces", title("recompute.traces")),
                Column::text("sha256", title("recompute.sha256")),
            ],
            rows: self.0.iter().map(|proof| proof.row(texts)).collect(),
        });
        section
    }
}

impl Proof {
    async fn read(store: &Store, record: RunRecord) -> Result<Self, EvaluateError> {
        let set_up = match record.imported {
            true => None,
            false => {
                let (plan, station) = kept(store, &record).await?;
                Some((station.name.clone(), plan.name.clone(), station.distance))
            }
        };
        let results = store.results(record.id).await?;
        let (traces, sha256) = store.trace_digest(record.id).await?;
        Ok(Self {
            record,
            set_up,
            analysis: results.iter().map(|result| result.analysis).max(),
            traces,
            sha256,
        })
    }

    fn row(&self, texts: &Texts) -> Vec<Cell> {
        let (station, plan, distance) = match &self.set_up {
            Some((station, plan, distance)) => (
                Cell::plain(station),
                Cell::plain(plan),
                number(Some(distance.m()), 2, texts),
            ),
            None => (Cell::plain(texts.say("hand.read_in")), nothing(), nothing()),
        };
        vec![
            Cell::plain(self.record.id.to_string()),
            Cell::plain(self.record.item.as_deref().unwrap_or("–")),
            station,
            plan,
            distance,
            Cell::plain(&self.record.program_version),
            match self.analysis {
                Some(version) => Cell::of(version.to_string(), version),
                None => nothing(),
            },
            Cell::of(self.traces.to_string(), Value::from(self.traces)),
            Cell::plain(&self.sha256),
        ]
    }
}
