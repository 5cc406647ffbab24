//! Runs, items, models or lots compared: what is one side, what its values are, and what both sides share.
//!
//! A run's values are its closings; an item's its complete runs (its closings where there is only one); a
//! model's or a lot's its units, each by its latest complete run. The value at a frequency is the least over
//! the faces and polarisations that all sides have. The uncertainty that scatter does not show is taken from
//! the budgets and counted once, twice or not at all, as the sides share it (`evaluate::unit`).

use std::collections::{BTreeMap, BTreeSet};

use jiff::Timestamp;
use serde::Serialize;

use super::EvaluateError;
use super::unit::{Measured, Parts, Place, mean};
use crate::analysis::budget::root_sum_square;
use crate::analysis::censored::Value;
use crate::analysis::compare::{
    self as maths, ComparePoint, CompareRule, Comparison, Group, Samples,
};
use crate::quantity::Frequency;
use crate::store::{RunFilter, RunId, RunKind, RunRecord, RunState, Store};

/// Two are equal within this distance unless another is given, dB: half of what two readings of a closing may
/// well differ by.
pub const WITHIN_DB: f64 = 3.0;

/// How sides are compared.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Question {
    /// Equal means within this distance, dB.
    pub within_db: f64,
    /// Of each claim.
    pub confidence: f64,
    /// Each face and polarisation by itself instead of the least of them.
    pub by_face: bool,
}

impl Default for Question {
    fn default() -> Self {
        Self {
            within_db: WITHIN_DB,
            confidence: 0.95,
            by_face: false,
        }
    }
}

/// What a side of a comparison is.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize)]
#[serde(rename_all = "snake_case")]
pub enum SideKind {
    /// One run.
    Run,
    /// One item over its runs.
    Item,
    /// All items of a model.
    Model,
    /// All units of a lot.
    Lot,
}

impl SideKind {
    const ALL: [Self; 4] = [Self::Run, Self::Item, Self::Model, Self::Lot];

    /// The word before the name: `lot:L-7`.
    pub fn word(self) -> &'static str {
        match self {
            Self::Run => "run",
            Self::Item => "item",
            Self::Model => "model",
            Self::Lot => "lot",
        }
    }
}

/// One side.
#[derive(Debug, Clone, Serialize)]
pub struct Side {
    /// As the sentence names it.
    pub name: String,
    /// What it is.
    pub kind: SideKind,
    /// The runs its values come from.
    pub runs: Vec<SideRun>,
    #[serde(skip)]
    measured: Vec<Measured>,
}

/// A run of a side.
#[derive(Debug, Clone, Serialize)]
pub struct SideRun {
    /// The run.
    pub run: RunId,
    /// Its item.
    pub item: String,
    /// When it began.
    pub started: Timestamp,
    /// After how many cycles of use, where somebody counted.
    pub cycles: Option<u32>,
}

/// Sides with their values, and what comparing them comes to.
#[derive(Debug, Clone, Serialize)]
pub struct CompareDocument {
    /// The sides, in the order given.
    pub sides: Vec<Side>,
    /// Where they were compared.
    pub points: Vec<ComparePoint>,
    /// The values of each side at each point.
    pub groups: Vec<Group>,
    /// Each further side against the first.
    pub comparisons: Vec<Comparison>,
    /// What the values rest on.
    pub notes: Vec<String>,
}

/// Finds out what is meant by a text: `run:…`, `item:…`, `model:…`, `lot:…`, or the name alone where it means
/// only one of them; `@N` after it takes only runs made after N cycles.
pub async fn side(store: &Store, text: &str) -> Result<Side, EvaluateError> {
    let (name, cycles) = match text.rsplit_once('@') {
        Some((name, digits)) if digits.parse::<u32>().is_ok() => (name, digits.parse().ok()),
        _ => (text, None),
    };
    let told = SideKind::ALL
        .into_iter()
        .find_map(|kind| Some((kind, name.strip_prefix(kind.word())?.strip_prefix(':')?)));
    let found = match told {
        Some((kind, name)) => vec![(kind, runs(store, kind, name).await?)],
        None => {
            let mut found = Vec::new();
            for kind in SideKind::ALL {
                let runs = runs(store, kind, name).await?;
                found.extend((!runs.is_empty()).then_some((kind, runs)));
            }
            found
        }
    };
    let (kind, runs) = match found.as_slice() {
        [(kind, runs)] if !runs.is_empty() => (*kind, runs.clone()),
        [] | [_] => {
            return Err(EvaluateError::not_answerable(
                text,
                "no complete run of that run, item, model or lot that was not withdrawn; `muffle history` lists what there is",
            ));
        }
        several => {
            let words: Vec<_> = several
                .iter()
                .map(|(kind, _)| format!("{}:{name}", kind.word()))
                .collect();
            return Err(EvaluateError::not_answerable(
                text,
                format!("may mean {}; write which", words.join(" or ")),
            ));
        }
    };
    read_side(store, text, kind, runs, cycles).await
}

async fn read_side(
    store: &Store,
    text: &str,
    kind: SideKind,
    runs: Vec<RunRecord>,
    cycles: Option<u32>,
) -> Result<Side, EvaluateError> {
    let mut seen = BTreeSet::new();
    let mut measured = Vec::new();
    for run in runs {
        let serial = run.item.clone().unwrap_or_default();
        let known = store.cycles(&serial).await?;
        if cycles.is_some() && known.get(&run.id).copied() != cycles {
            continue;
        }
        // Newest first: of a model or a lot only each unit's latest.
        let is_first = seen.insert(serial);
        if is_first || kind == SideKind::Item {
            measured.push(Measured::read(store, run, &known).await?);
        }
    }
    if measured.is_empty() {
        return Err(EvaluateError::not_answerable(
            text,
            "no complete run of it was made after that many cycles",
        ));
    }
    // By serial, so that the same units stand in the same order on both sides.
    measured.sort_by(|a, b| (&a.serial, a.run.started).cmp(&(&b.serial, b.run.started)));
    Ok(Side {
        name: text.to_owned(),
        kind,
        runs: measured
            .iter()
            .map(|measured| SideRun {
                run: measured.run.id,
                item: measured.serial.clone(),
                started: measured.run.started,
                cycles: measured.cycles,
            })
            .collect(),
        measured,
    })
}

/// Complete runs of items, newest first.
async fn runs(store: &Store, kind: SideKind, name: &str) -> Result<Vec<RunRecord>, EvaluateError> {
    let mut filter = RunFilter {
        kind: Some(RunKind::Item),
        state: Some(RunState::Complete),
        ..RunFilter::default()
    };
    let named = Some(name.to_owned());
    match kind {
        SideKind::Run if name == "latest" => filter.limit = Some(1),
        SideKind::Run => {
            // Whatever is no id may still be a name.
            return Ok(match store.find_run(name).await {
                Ok(run)
                    if run.kind == RunKind::Item
                        && run.state == RunState::Complete
                        && run.withdrawn.is_none() =>
                {
                    vec![run]
                }
                _ => Vec::new(),
            });
        }
        SideKind::Item => filter.item = named,
        SideKind::Model => filter.model = named,
        SideKind::Lot => filter.lot = named,
    }
    Ok(store.runs(&filter).await?)
}

/// Compares each further side with the first.
pub fn compare(sides: Vec<Side>, question: &Question) -> Result<CompareDocument, EvaluateError> {
    let refuse = |reason: &dyn ToString| {
        EvaluateError::not_answerable("these cannot be compared", reason.to_string())
    };
    let mut names = BTreeSet::new();
    if let Some(twice) = sides.iter().find(|side| !names.insert(&side.name)) {
        return Err(refuse(&format!("{} is named twice", twice.name)));
    }
    let spots = spots(&sides, question.by_face);
    let points: Vec<ComparePoint> = spots.iter().map(|spot| spot.point.clone()).collect();
    let paired = are_paired(&sides);
    let one_reference = one_reference(&sides);
    let mut groups: Vec<Group> = sides
        .iter()
        .map(|side| group(side, &spots, one_reference))
        .collect();
    if paired {
        let units = sides.first().map_or(0, |side| side.measured.len());
        empty_where_pairs_are_broken(&mut groups, units);
    }
    let rule = CompareRule {
        margin_db: question.within_db,
        confidence: question.confidence,
        paired,
    };
    let comparisons = maths::compare(&points, &groups, &rule).map_err(|cause| refuse(&cause))?;
    Ok(CompareDocument {
        notes: notes(&sides, &spots, paired, one_reference),
        sides,
        points,
        groups,
        comparisons,
    })
}

/// A frequency and the faces and polarisations that are compared there.
struct Spot {
    point: ComparePoint,
    places: BTreeSet<Place>,
}

/// What all runs of all sides have in common.
fn spots(sides: &[Side], by_face: bool) -> Vec<Spot> {
    let mut all = sides.iter().flat_map(|side| &side.measured);
    let mut common: BTreeMap<u64, BTreeSet<Place>> =
        all.next().map_or_else(BTreeMap::new, Measured::places);
    for measured in all {
        let places = measured.places();
        common.retain(|at, shared| {
            let here = places.get(at);
            shared.retain(|place| here.is_some_and(|here| here.contains(place)));
            !shared.is_empty()
        });
    }
    let spot = |at: u64, places: BTreeSet<Place>, more: String| {
        let frequency_hz = f64::from_bits(at);
        let label = format!("{}{more}", Frequency::from_hz(frequency_hz));
        Spot {
            point: ComparePoint {
                frequency_hz,
                label,
            },
            places,
        }
    };
    let mut spots = Vec::new();
    for (at, places) in common {
        match by_face {
            false => spots.push(spot(at, places, String::new())),
            true => spots.extend(places.into_iter().map(|(face, polarisation)| {
                let more = format!(" {face}, {polarisation}");
                spot(at, [(face, polarisation)].into(), more)
            })),
        }
    }
    spots
}

/// Several units, the same ones in every side.
fn are_paired(sides: &[Side]) -> bool {
    let serials = |side: &Side| -> Vec<String> {
        let units = side.measured.iter().map(|measured| measured.serial.clone());
        units.collect()
    };
    let unique = |serials: &[String]| serials.windows(2).all(|pair| pair[0] != pair[1]);
    let first = sides.first().map(serials).unwrap_or_default();
    first.len() > 1 && unique(&first) && sides.iter().all(|side| serials(side) == first)
}

fn one_reference(sides: &[Side]) -> bool {
    let measured = sides.iter().flat_map(|side| &side.measured);
    let references: BTreeSet<_> = measured.map(|one| one.run.reference_run).collect();
    // Readings by hand name no reference, and so share none that is known.
    references.len() == 1 && !references.contains(&None)
}

fn group(side: &Side, spots: &[Spot], one_reference: bool) -> Group {
    Group {
        name: side.name.clone(),
        samples: spots
            .iter()
            .map(|spot| samples(side, spot, one_reference))
            .collect(),
    }
}

fn samples(side: &Side, spot: &Spot, one_reference: bool) -> Samples {
    let hz = spot.point.frequency_hz;
    let closings = |measured: &Measured| measured.closings(hz, &spot.places);
    let values: Vec<Value> = match side.measured.as_slice() {
        [one] if side.kind == SideKind::Run || side.kind == SideKind::Item => closings(one),
        several => several
            .iter()
            .filter_map(|measured| mean(&closings(measured)))
            .collect(),
    };
    let parts = side.measured.iter();
    let parts: Vec<Parts> = parts
        .filter_map(|measured| measured.parts(hz, &spot.places))
        .collect();
    let parts = Parts::over(&parts);
    // Under one reference its error cancels, and the scale counts once for both sides: half of its
    // variance each.
    let (reference_db, scale_db) = match one_reference {
        true => (0.0, parts.scale_db / 2f64.sqrt()),
        false => (parts.reference_db, parts.scale_db),
    };
    let own_db = if values.len() > 1 { 0.0 } else { parts.own_db };
    Samples {
        values,
        u_db: root_sum_square([own_db, parts.side_db, reference_db, scale_db]),
    }
}

/// A unit without a value at a point has no pair there; which one it was is no longer known.
fn empty_where_pairs_are_broken(groups: &mut [Group], units: usize) {
    let points = groups.first().map_or(0, |group| group.samples.len());
    for point in 0..points {
        let whole = |group: &Group| group.samples[point].values.len() == units;
        if !groups.iter().all(whole) {
            for group in groups.iter_mut() {
                group.samples[point].values.clear();
            }
        }
    }
}

fn notes(sides: &[Side], spots: &[Spot], paired: bool, one_reference: bool) -> Vec<String> {
    let mut notes = vec![match one_reference {
        true => "all were subtracted from one reference: its error cancels, and the receiver's scale counts once"
            .to_owned(),
        false => "they were not subtracted from one reference: the errors of each count".to_owned(),
    }];
    if paired {
        notes.push("the same units stand on both sides: compared unit by unit".to_owned());
    }
    let single = |side: &&Side| side.measured.len() == 1;
    let singles: Vec<_> = sides.iter().filter(single).collect();
    if let Some(side) = singles.iter().find(|side| side.kind != SideKind::Run) {
        notes.push(format!(
            "{} is one run of one unit: what is said of it is said of that unit",
            side.name
        ));
    }
    let measured: BTreeSet<u64> = sides
        .iter()
        .flat_map(|side| &side.measured)
        .flat_map(|measured| measured.places().into_keys())
        .collect();
    let compared: BTreeSet<u64> = spots
        .iter()
        .map(|spot| spot.point.frequency_hz.to_bits())
        .collect();
    let left_out: Vec<String> = measured
        .difference(&compared)
        .map(|at| Frequency::from_hz(f64::from_bits(*at)).to_string())
        .collect();
    if !left_out.is_empty() {
        notes.push(format!(
            "left out, because not all runs have the same faces and polarisations there: {}",
            left_out.join(", ")
        ));
    }
    notes
}

#[cfg(test)]
mod tests;
