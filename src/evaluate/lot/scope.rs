//! What the units of a lot must have in common, so that their verdicts answer one question.
//!
//! Not the text of the plan decides but what it asks: where is measured (frequencies, faces, polarisations, how often),
//! against which limit, and how the verdict is reached (rule, combine, arrangement). A unit counts if it was measured at
//! least so. Name, comments, source level and bandwidths may differ: an SE is the same quantity whatever it was read
//! with, and its uncertainty says how well. Whatever more was measured of a unit counts with it, since a run's verdict is
//! over all of it.

use std::collections::{BTreeMap, BTreeSet};

use serde::Serialize;

use crate::analysis::limit::LimitLine;
use crate::config::{Combine, Plan, Rule};
use crate::quantity::{Frequency, one_decimal};
use crate::store::{Lot, ResultRecord, RunId, RunRecord, Store};

use crate::evaluate::EvaluateError;

/// As many frequencies, faces or places are named in a sentence.
const NAMED: usize = 3;
/// Frequencies that are written differently are the same within this, Hz.
const SAME_HZ: f64 = 0.1;
/// Limits that are written differently are the same within this, dB.
const SAME_DB: f64 = 1e-6;

/// A frequency in steps of [`SAME_HZ`], a face and a polarisation.
type Place = (u64, String, String);

/// What is asked at one place.
#[derive(Debug, Clone, Copy, PartialEq)]
struct Need {
    repeats: u32,
    limit_db: Option<f64>,
}

/// What is measured of a unit, against what, and how it is judged.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct Scope {
    arrangement: &'static str,
    rule: Rule,
    combine: Combine,
    places: BTreeMap<Place, Need>,
}

/// The plan that every unit of a lot is held to.
#[derive(Debug, Clone, Serialize)]
pub struct LotPlan {
    /// Its file.
    pub name: String,
    /// SHA-256 of its text.
    pub sha256: String,
    /// The run that fixed it; none where the lot was put in with it.
    pub fixed_by: Option<RunId>,
    /// The unit of that run.
    pub fixed_by_unit: Option<String>,
    /// How the receiver listens; `by hand` for imported readings.
    pub arrangement: &'static str,
    /// How a verdict is reached.
    pub rule: &'static str,
    /// What is held against the limit.
    pub combine: &'static str,
    /// Its frequencies, ascending.
    pub frequencies_hz: Vec<f64>,
    /// Its faces.
    pub faces: BTreeSet<String>,
    /// Its polarisations.
    pub polarisations: BTreeSet<String>,
    /// How often each is measured.
    pub repeats: u32,
    #[serde(skip)]
    pub(super) scope: Scope,
}

fn key(frequency_hz: f64) -> u64 {
    (frequency_hz / SAME_HZ).round() as u64
}

fn frequency(key: u64) -> Frequency {
    Frequency::from_hz(key as f64 * SAME_HZ)
}

impl Scope {
    pub(super) fn of_plan(plan: &Plan) -> Self {
        let line: Vec<_> = plan.limit.iter().map(|(f, se)| (f.hz(), se.db())).collect();
        let line = LimitLine::new(line).ok();
        let mut places = BTreeMap::new();
        for at in &plan.frequencies {
            let need = Need {
                repeats: plan.repeats,
                limit_db: line.as_ref().and_then(|line| line.at_db(at.hz())),
            };
            for face in &plan.faces {
                for polarisation in &plan.polarisations {
                    let place = (key(at.hz()), face.clone(), polarisation.word().to_owned());
                    places.insert(place, need);
                }
            }
        }
        Self {
            arrangement: plan.arrangement.word(),
            rule: plan.rule,
            combine: plan.combine,
            places,
        }
    }

    /// Of readings by hand, which have no plan.
    fn of_results(results: &[ResultRecord]) -> Self {
        let mut places: BTreeMap<Place, Need> = BTreeMap::new();
        for result in results {
            let point = &result.point;
            let place = (
                key(point.frequency_hz),
                point.face.clone(),
                point.polarisation.clone(),
            );
            let need = places.entry(place).or_insert(Need {
                repeats: 0,
                limit_db: result.limit_db,
            });
            need.repeats += 1;
            // Of two limits at one place the lower is what was surely asked.
            need.limit_db = need
                .limit_db
                .zip(result.limit_db)
                .map(|(a, b)| f64::min(a, b));
        }
        Self {
            arrangement: "by hand",
            rule: Rule::Guarded,
            combine: Combine::Worst,
            places,
        }
    }

    /// Whether a frequency is among those asked for.
    pub(super) fn asks_at(&self, frequency_hz: f64) -> bool {
        let at = key(frequency_hz);
        self.places.keys().any(|(known, ..)| *known == at)
    }

    pub(super) fn is_guarded(&self) -> bool {
        self.rule == Rule::Guarded
    }

    fn all<T: Ord>(&self, part: impl Fn(&Place) -> T) -> BTreeSet<T> {
        self.places.keys().map(part).collect()
    }

    /// What a unit with this scope lacks of the lot's, as ends of a sentence that begins with "its plan"; empty where it
    /// counts.
    pub(super) fn lacks(&self, lot: &Self) -> Vec<String> {
        let mut lacks = Vec::new();
        for (what, own, asked) in [
            ("arrangement", self.arrangement, lot.arrangement),
            ("rule", self.rule.word(), lot.rule.word()),
            ("combine", self.combine.word(), lot.combine.word()),
        ] {
            if own != asked {
                lacks.push(format!("has {what} {own}, the lot's {asked}"));
            }
        }
        lacks.extend(self.leaves_out(lot));
        lacks.extend(self.other_limit(lot));
        let fewer = lot.places.iter().find_map(|(place, asked)| {
            let own = self.places.get(place)?.repeats;
            (own < asked.repeats).then_some((own, asked.repeats))
        });
        lacks.extend(fewer.map(|(own, asked)| {
            format!("measures each point {own} times, the lot's {asked} times")
        }));
        if lot.combine == Combine::Average {
            // A good face more would lift the mean over the others.
            let faces = |scope: &Self| scope.all(|(_, face, pol)| format!("{face} {pol}"));
            let more: Vec<_> = faces(self).difference(&faces(lot)).cloned().collect();
            if !more.is_empty() {
                lacks.push(format!("averages over {} as well", named(&more)));
            }
        }
        lacks
    }

    fn leaves_out(&self, lot: &Self) -> Option<String> {
        let mut left = Vec::new();
        let own = self.all(|place| place.0);
        left.extend(
            lot.all(|place| place.0)
                .difference(&own)
                .map(|at| frequency(*at).to_string()),
        );
        for part in [
            |place: &Place| place.1.clone(),
            |place: &Place| place.2.clone(),
        ] {
            left.extend(lot.all(part).difference(&self.all(part)).cloned());
        }
        if left.is_empty() {
            let places = lot.places.keys();
            let missing = places.filter(|place| !self.places.contains_key(*place));
            left.extend(missing.map(|(at, face, pol)| format!("{} {face} {pol}", frequency(*at))));
        }
        (!left.is_empty()).then(|| format!("leaves out {}", named(&left)))
    }

    fn other_limit(&self, lot: &Self) -> Option<String> {
        let mut other = lot.places.iter().filter_map(|(place, asked)| {
            let own = self.places.get(place)?.limit_db;
            let same = match (own, asked.limit_db) {
                (Some(own), Some(asked)) => (own - asked).abs() <= SAME_DB,
                (None, None) => true,
                _ => false,
            };
            (!same).then_some((place.0, own, asked.limit_db))
        });
        let (at, own, asked) = other.next()?;
        let rest: BTreeSet<u64> = other.map(|(at, ..)| at).filter(|one| *one != at).collect();
        let db = |limit: Option<f64>| limit.map_or("none".to_owned(), |db| one_decimal(db) + " dB");
        let more = match rest.len() {
            0 => String::new(),
            more => format!(", and differs at {more} more frequencies"),
        };
        let (own, asked) = (db(own), db(asked));
        Some(format!(
            "has limit {own} at {}, the lot's {asked}{more}",
            frequency(at)
        ))
    }
}

fn named(all: &[String]) -> String {
    let shown = all[..all.len().min(NAMED)].join(", ");
    match all.len().saturating_sub(NAMED) {
        0 => shown,
        more => format!("{shown} and {more} more"),
    }
}

impl LotPlan {
    fn of(name: String, sha256: String, by: Option<&RunRecord>, scope: Scope) -> Self {
        let keys = scope.all(|place| place.0);
        Self {
            name,
            sha256,
            fixed_by: by.map(|run| run.id),
            fixed_by_unit: by.and_then(|run| run.item.clone()),
            arrangement: scope.arrangement,
            rule: scope.rule.word(),
            combine: scope.combine.word(),
            frequencies_hz: keys.into_iter().map(|at| frequency(at).hz()).collect(),
            faces: scope.all(|place| place.1.clone()),
            polarisations: scope.all(|place| place.2.clone()),
            repeats: scope
                .places
                .values()
                .map(|need| need.repeats)
                .max()
                .unwrap_or(0),
            scope,
        }
    }

    /// What units are held to, and since when, in a sentence.
    pub(super) fn in_words(&self) -> String {
        let by = match (&self.fixed_by_unit, &self.fixed_by) {
            (Some(unit), Some(run)) => {
                format!("fixed by its first unit that counts, {unit} (run {run})")
            }
            _ => "fixed when the lot was put in".to_owned(),
        };
        let count = |number: usize, one: &str, many: &str| match number {
            1 => format!("1 {one}"),
            many_of => format!("{many_of} {many}"),
        };
        format!(
            "each unit is held to what {} asks ({}, {}, {}, {}, {}, rule {}, combine {}), {by}",
            self.name,
            self.arrangement,
            count(self.frequencies_hz.len(), "frequency", "frequencies"),
            count(self.faces.len(), "face", "faces"),
            count(self.polarisations.len(), "polarisation", "polarisations"),
            count(self.repeats as usize, "time each", "times each"),
            self.rule,
            self.combine,
        )
    }
}

/// The plan of a lot, and its complete runs that were not withdrawn, oldest first, each with why it does not count.
pub(super) struct Held {
    pub(super) plan: Option<LotPlan>,
    pub(super) runs: Vec<(RunRecord, Option<String>)>,
}

/// Holds the runs of a lot against its plan. One that is only a name has none, and all its runs count.
pub(super) async fn held(
    store: &Store,
    lot: &Lot,
    runs: Vec<RunRecord>,
) -> Result<Held, EvaluateError> {
    let Some(rule) = &lot.rule else {
        let runs = runs.into_iter().map(|run| (run, None)).collect();
        return Ok(Held { plan: None, runs });
    };
    let mut known: BTreeMap<String, Result<Scope, String>> = BTreeMap::new();
    let first = runs.iter().find(|run| run.verdict.is_some());
    let plan = match (&rule.plan_sha, first) {
        (Some(sha), _) => Some((sha.clone(), read_plan(store, sha).await?, None)),
        (None, Some(run)) => Some((
            run.plan_sha.clone(),
            scope_of(store, run, &mut known).await?,
            Some(run),
        )),
        (None, None) => None,
    };
    let plan = match plan {
        None => None,
        Some((sha, scope, by)) => {
            let scope = scope.map_err(|why| {
                EvaluateError::not_answerable(format!("lot {}", lot.name), format!("its {why}"))
            })?;
            let name = store
                .snapshot(&sha)
                .await?
                .map_or(String::new(), |file| file.name);
            Some(LotPlan::of(name, sha, by, scope))
        }
    };
    let mut all = Vec::with_capacity(runs.len());
    for run in runs {
        let why = match &plan {
            _ if run.verdict.is_none() => Some("it was measured without a limit".to_owned()),
            None => None,
            Some(plan) if !run.imported && run.plan_sha == plan.sha256 => None,
            Some(plan) => match scope_of(store, &run, &mut known).await? {
                Err(why) => Some(format!("its {why}")),
                Ok(scope) => {
                    let lacks = scope.lacks(&plan.scope);
                    (!lacks.is_empty()).then(|| format!("its plan {}", lacks.join("; it ")))
                }
            },
        };
        all.push((run, why));
    }
    Ok(Held { plan, runs: all })
}

/// What was measured in a run; plans are read once each.
async fn scope_of(
    store: &Store,
    run: &RunRecord,
    known: &mut BTreeMap<String, Result<Scope, String>>,
) -> Result<Result<Scope, String>, EvaluateError> {
    if run.imported {
        return Ok(Ok(Scope::of_results(&store.results(run.id).await?)));
    }
    if let Some(scope) = known.get(&run.plan_sha) {
        return Ok(scope.clone());
    }
    let scope = read_plan(store, &run.plan_sha).await?;
    known.insert(run.plan_sha.clone(), scope.clone());
    Ok(scope)
}

async fn read_plan(store: &Store, sha: &str) -> Result<Result<Scope, String>, EvaluateError> {
    let Some(file) = store.snapshot(sha).await? else {
        return Ok(Err(format!("plan {sha} is not in the store")));
    };
    Ok(Plan::read(&file.name, &file.text)
        .map(|plan| Scope::of_plan(&plan))
        .map_err(|faults| format!("plan cannot be read any more: {faults}")))
}
