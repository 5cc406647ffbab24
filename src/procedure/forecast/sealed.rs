//! A sealed plan looked at beforehand: its closings, how long the item stays closed, and what one trace held over
//! all of it shows at each frequency.

use std::collections::HashMap;

use serde::Serialize;

use super::{Bench, Duration, Link, PointForecast, View, sweep};
use crate::analysis::AnalysisError;
use crate::analysis::closing::hold_rise_db;
use crate::analysis::forecast::Sweep;
use crate::config::{Bracket, Settings};
use crate::procedure::closings::{Planned, SEEN_DB, planned};
use crate::procedure::steps::{kinds, stands};
use crate::quantity::Frequency;

/// Placements of one closing: close it, open it.
const PLACEMENTS: f64 = 2.0;

/// One closing of the item with the source on; a silent one as long comes before it.
#[derive(Debug, Clone, Serialize)]
pub struct ClosingForecast {
    /// What is sent, Hz.
    pub frequencies_hz: Vec<f64>,
    /// First frequency of the trace, Hz.
    pub start_hz: f64,
    /// Last frequency of the trace, Hz.
    pub stop_hz: f64,
    /// Resolution bandwidth, Hz.
    pub resolution_bandwidth_hz: f64,
    /// Distance of the trace's points, Hz.
    pub bin_hz: f64,
    /// One sweep, s.
    pub sweep_s: f64,
    /// How long the item stays closed, s.
    pub closed_s: f64,
    /// The least dynamic range of its frequencies, dB.
    pub dynamic_range_db: f64,
    /// The least of the largest SE visible at its frequencies, dB.
    pub visible_se_db: f64,
    /// Frequencies of it that cannot show what is needed.
    pub short: usize,
}

/// The closings of a plan.
pub(super) struct Sealed {
    /// In the open, where nothing is closed.
    reference: Vec<Planned>,
    /// In the open again, as far as the plan looks at the reference again.
    check: Vec<Planned>,
    /// Around an item.
    pub(super) item: Vec<Planned>,
}

/// The closing that holds a frequency.
pub(super) fn holding(closings: &[Planned], frequency: Frequency) -> Option<&Planned> {
    closings
        .iter()
        .find(|planned| planned.closing.frequencies_hz.contains(&frequency.hz()))
}

impl Bench<'_> {
    /// Planned as the procedure will, with the link in the place of the reference it does not have yet.
    pub(super) fn sealed(&self) -> Result<Sealed, AnalysisError> {
        let (plan, station) = (self.plan, self.station);
        let reference = planned(plan, station, &HashMap::new(), false)?;
        let mut room = HashMap::new();
        for frequency in &plan.frequencies {
            let line = self.limit.as_ref();
            let limit_db = line.and_then(|line| line.at_db(frequency.hz()));
            let (Some(limit_db), Some(closing)) = (limit_db, holding(&reference, *frequency))
            else {
                continue;
            };
            let link = self.links.at(station, *frequency);
            let settings = plan.settings_at(*frequency);
            let view = self.sealed_view(&link, *frequency, settings, closing);
            let alone_db = view.dynamic_range_db + hold_rise_db(closing.stays(), settings.sweeps);
            let left_db = alone_db - limit_db - SEEN_DB;
            if left_db >= 0.0 {
                room.insert(frequency.hz().to_bits(), left_db);
            }
        }
        let item = planned(plan, station, &room, true)?;
        let check = match plan.bracket {
            Bracket::None => Vec::new(),
            Bracket::All => reference.clone(),
            Bracket::Check => {
                planned(&plan.for_reference_check(), station, &HashMap::new(), false)?
            }
        };
        Ok(Sealed {
            reference,
            check,
            item,
        })
    }

    /// One sweep of a closing, s.
    fn sweep_s(&self, planned: &Planned) -> f64 {
        let own_s = self.plan.sweep_time.map(|time| time.s());
        let trace = trace(self.plan.settings_at(first(planned)), planned);
        own_s.unwrap_or_else(|| self.pace().sweep_s(&trace))
    }

    /// How long a carrier stays, and how long the item stays closed, s.
    fn stay_s(&self, planned: &Planned) -> (f64, f64) {
        let settings = self.plan.settings_at(first(planned));
        let sweeps = f64::from(settings.sweeps + 1);
        let stay_s = sweeps * self.sweep_s(planned) + settings.settle.s();
        (stay_s, stay_s * planned.stays() as f64)
    }

    pub(super) fn sealed_view(
        &self,
        link: &Link,
        frequency: Frequency,
        settings: &Settings,
        planned: &Planned,
    ) -> View {
        let (stay_s, _) = self.stay_s(planned);
        // Its own stay and as long a silence.
        self.view_of(
            link,
            frequency,
            settings,
            &trace(settings, planned),
            2.0 * stay_s,
        )
    }

    pub(super) fn sealed_duration(&self, sealed: &Sealed) -> Duration {
        let rest_s = self.pace().rest_s;
        let closed_s = |planned: &[Planned]| -> f64 {
            planned.iter().map(|one| self.stay_s(one).1 + rest_s).sum()
        };
        let open = stands(self.plan, None).len() as f64;
        let closed = stands(self.plan, Some("")).len() as f64;
        let of_reference = kinds(None).len() as f64;
        let of_item = kinds(Some("")).len() as f64;
        let placing_s = PLACEMENTS * self.placement_s() * sealed.item.len() as f64 * of_item;
        let opens = |planned: &[Planned]| match planned {
            [] => 0.0,
            _ => open * self.placement_s(),
        };
        let open_s = |planned: &[Planned]| opens(planned) + open * of_reference * closed_s(planned);
        Duration {
            reference_s: open_s(&sealed.reference),
            item_s: closed * (of_item * closed_s(&sealed.item) + placing_s),
            check_s: open_s(&sealed.check),
            placing_s: opens(&sealed.reference) + closed * placing_s + opens(&sealed.check),
        }
    }

    pub(super) fn closing_forecasts(
        &self,
        sealed: &Sealed,
        points: &[PointForecast],
    ) -> Vec<ClosingForecast> {
        let of = |planned: &Planned| {
            let closing = &planned.closing;
            let inside: Vec<_> = points
                .iter()
                .filter(|point| closing.frequencies_hz.contains(&point.frequency_hz))
                .collect();
            let least = |of: fn(&View) -> f64| {
                let all = inside.iter().map(|point| of(&point.view));
                all.fold(f64::INFINITY, f64::min)
            };
            let bins = f64::from(planned.receiver.points.max(2) - 1);
            ClosingForecast {
                frequencies_hz: closing.frequencies_hz.clone(),
                start_hz: closing.start_hz,
                stop_hz: closing.stop_hz,
                resolution_bandwidth_hz: planned.receiver.resolution_bandwidth.hz(),
                bin_hz: (closing.stop_hz - closing.start_hz) / bins,
                sweep_s: self.sweep_s(planned),
                closed_s: self.stay_s(planned).1,
                dynamic_range_db: least(|view| view.dynamic_range_db),
                visible_se_db: least(|view| view.visible_se_db),
                short: inside
                    .iter()
                    .filter(|point| point.short_db.is_some())
                    .count(),
            }
        };
        sealed.item.iter().map(of).collect()
    }
}

fn first(planned: &Planned) -> Frequency {
    let lowest = planned.closing.frequencies_hz.first();
    Frequency::from_hz(lowest.copied().unwrap_or_default())
}

/// The one trace of a closing, held while all of its carriers were on in turn.
fn trace(settings: &Settings, planned: &Planned) -> Sweep {
    let carriers = u32::try_from(planned.stays()).unwrap_or(u32::MAX);
    let with_carrier = settings.sweeps + 1;
    Sweep {
        span_hz: planned.closing.stop_hz - planned.closing.start_hz,
        sweeps: with_carrier.saturating_mul(carriers),
        with_carrier,
        ..sweep(settings)
    }
}
