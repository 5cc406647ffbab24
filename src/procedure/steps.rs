//! A run as a list of steps: what is placed when, and what is read.

use std::collections::HashSet;

use crate::config::Plan;
use crate::evaluate::OPEN;
use crate::station::{Placement, State};
use crate::store::{Point, ReadingKey, ReadingKind};

/// One thing placed before the antenna, and the points measured while it stands there.
#[derive(Debug, Clone, PartialEq)]
pub struct Stand {
    /// What stands there, and how.
    pub placement: Placement,
    /// What is measured meanwhile, in this order.
    pub points: Vec<Point>,
}

/// The stands of a run, in order: for the reference each polarisation, for an item each repeat, face and
/// polarisation. Polarisation changes last, because it means turning antennas and leaves the item closed.
pub fn stands(plan: &Plan, item: Option<&str>) -> Vec<Stand> {
    let (repeats, faces) = match item {
        Some(_) => (plan.repeats, plan.faces.clone()),
        None => (1, vec![OPEN.to_owned()]),
    };
    let mut stands = Vec::new();
    for repeat in 1..=repeats {
        for face in &faces {
            for polarisation in &plan.polarisations {
                stands.push(Stand {
                    placement: Placement {
                        item: item.map(str::to_owned),
                        face: face.clone(),
                        polarisation: polarisation.word().to_owned(),
                        repeat,
                        state: match item {
                            Some(_) => State::Closed,
                            None => State::Open,
                        },
                    },
                    points: points(plan, face, polarisation.word(), repeat),
                });
            }
        }
    }
    stands
}

fn points(plan: &Plan, face: &str, polarisation: &str, repeat: u32) -> Vec<Point> {
    plan.frequencies
        .iter()
        .map(|frequency| Point {
            frequency_hz: frequency.hz(),
            face: face.to_owned(),
            polarisation: polarisation.to_owned(),
            repeat,
        })
        .collect()
}

/// What is read at each point. A reference is also read a step lower, to see what compresses: everything
/// after it relies on its level.
pub fn kinds(item: Option<&str>) -> &'static [ReadingKind] {
    match item {
        Some(_) => &[ReadingKind::Floor, ReadingKind::Signal],
        None => &[ReadingKind::Floor, ReadingKind::Signal, ReadingKind::Step],
    }
}

/// What is read at each point where a reference is looked at again.
pub const CHECKED: &[ReadingKind] = &[ReadingKind::Floor, ReadingKind::Signal];

/// The stands with only the points that still lack a reading; stands with none are left out.
pub fn missing(
    stands: Vec<Stand>,
    kinds: &[ReadingKind],
    present: &HashSet<ReadingKey>,
) -> Vec<Stand> {
    stands
        .into_iter()
        .filter_map(|mut stand| {
            stand.points.retain(|point| {
                kinds
                    .iter()
                    .any(|kind| !present.contains(&key(*kind, point)))
            });
            (!stand.points.is_empty()).then_some(stand)
        })
        .collect()
}

/// How many readings the stands ask for that are not there yet.
pub fn readings_missing(
    stands: &[Stand],
    kinds: &[ReadingKind],
    present: &HashSet<ReadingKey>,
) -> usize {
    stands
        .iter()
        .flat_map(|stand| &stand.points)
        .flat_map(|point| kinds.iter().map(|kind| key(*kind, point)))
        .filter(|key| !present.contains(key))
        .count()
}

/// The name of a reading.
pub fn key(kind: ReadingKind, point: &Point) -> ReadingKey {
    ReadingKey {
        kind,
        point: point.clone(),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn plan() -> Plan {
        Plan::read("plan.toml", include_str!("../../config/plan.toml")).expect("plan")
    }

    #[test]
    fn a_reference_stands_once_for_each_polarisation() {
        let stands = stands(&plan(), None);
        assert_eq!(stands.len(), 2);
        assert!(
            stands
                .iter()
                .all(|s| s.placement.item.is_none() && s.points.len() == 21)
        );
    }

    #[test]
    fn an_item_is_placed_for_each_face_before_the_antennas_turn_back() {
        let stands = stands(&plan(), Some("P-1"));
        let order: Vec<_> = stands
            .iter()
            .map(|s| (s.placement.face.as_str(), s.placement.polarisation.as_str()))
            .collect();
        let expected = [
            ("front", "horizontal"),
            ("front", "vertical"),
            ("seam", "horizontal"),
            ("seam", "vertical"),
        ];
        assert_eq!(order, expected);
    }

    #[test]
    fn only_what_is_missing_is_measured_again() {
        let all = stands(&plan(), Some("P-1"));
        let kinds = kinds(Some("P-1"));
        let mut present = HashSet::new();
        assert_eq!(readings_missing(&all, kinds, &present), 4 * 21 * 2);
        for point in &all[0].points {
            present.insert(key(ReadingKind::Floor, point));
            present.insert(key(ReadingKind::Signal, point));
        }
        // A floor alone does not make a point.
        present.insert(key(ReadingKind::Floor, &all[1].points[0]));
        let left = missing(all, kinds, &present);
        assert_eq!(left.len(), 3);
        assert_eq!(left[0].points.len(), 21);
        assert_eq!(readings_missing(&left, kinds, &present), 3 * 21 * 2 - 1);
    }
}
