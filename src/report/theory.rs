//! A run's curve as the shielding theory takes it: what decides at each frequency, bounds as bounds.

use super::run::{PointDocument, RunDocument};
use crate::analysis::shield::cavity::BoxSize;
use crate::analysis::shield::curve::{CurvePoint, PointKind};
use crate::analysis::shield::explain::ItemInside;
use crate::quantity::sides;
use crate::store::{Item, ResultKind};

/// Quality factor of a closed item with something in it, where nothing is known (common practice, no source).
const QUALITY: f64 = 40.0;

/// The curve that decides.
pub fn curve(document: &RunDocument) -> Vec<CurvePoint> {
    let deciding = document.deciding().into_iter();
    deciding.filter_map(curve_point).collect()
}

/// The inside of an item whose size is written with three sides.
pub fn inside(item: &Item) -> Option<ItemInside> {
    match sides(item.size.as_deref()?).as_deref() {
        Some(&[a, b, c]) => Some(ItemInside {
            size: BoxSize { a, b, c },
            quality: QUALITY,
        }),
        _ => None,
    }
}

fn curve_point(point: &PointDocument) -> Option<CurvePoint> {
    Some(CurvePoint {
        frequency_hz: point.frequency_hz,
        se_db: point.se_db?,
        u_db: point.budget.as_ref()?.combined_db,
        kind: match point.kind {
            ResultKind::Measured => PointKind::Measured,
            ResultKind::AtLeast => PointKind::AtLeast,
            ResultKind::None => return None,
        },
        dynamic_range_db: point.dynamic_range_db,
    })
}
