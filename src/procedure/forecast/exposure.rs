//! What people are exposed to, beside the published reference levels.

use serde::Serialize;

use crate::analysis::shield::LIGHT_M_PER_S;
use crate::analysis::shield::field::{Guideline, exposure_distance, field_strength};
use crate::config::{Plan, Station};
use crate::evaluate::{ANTENNA_DBI, antenna_dbi, cable_db};
use crate::quantity::{Frequency, Length, Ratio};
use crate::station::allowed;

/// The strongest field a plan makes, in the main beam of the transmit antenna.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Exposure {
    /// Where people have to stay farthest, Hz; none when the far field begins too far off everywhere.
    pub worst: Option<Worst>,
    /// From here the far-field formula meets the reference level only closer than λ/2π, where it does not hold, Hz.
    pub near_field_from_hz: Option<f64>,
    /// Up to here, Hz.
    pub near_field_to_hz: Option<f64>,
    /// The antenna's gain is that of a dipole, because nobody gave one.
    pub gain_assumed: bool,
    /// The station's distance, m.
    pub distance_m: f64,
}

/// The frequency that decides.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct Worst {
    /// Where, Hz.
    pub frequency_hz: f64,
    /// At the antenna, cable taken off, dBm.
    pub radiated_dbm: f64,
    /// Gain of the antenna, dBi.
    pub gain_dbi: f64,
    /// Electric field at the station's distance, V/m; none closer than λ/2π.
    pub e_v_per_m: Option<f64>,
    /// Reference level of ICNIRP 2020 for the general public as an electric field, V/m; below 10 MHz the lower of
    /// those against heating and against nerve stimulation.
    pub icnirp_v_per_m: f64,
    /// From where on it is met, m.
    pub icnirp_m: f64,
    /// The same of 47 CFR 1.1310, general population; none below its table.
    pub cfr_v_per_m: Option<f64>,
    /// From where on that is met, m.
    pub cfr_m: Option<f64>,
}

impl Worst {
    fn farthest_m(&self) -> f64 {
        self.cfr_m.map_or(self.icnirp_m, |m| m.max(self.icnirp_m))
    }
}

/// Up to here ICNIRP 2020 has levels against nerve stimulation.
const STIMULATION_TO_HZ: f64 = 10e6;

/// The exposure a plan brings; `None` where it radiates nothing that a table knows.
pub fn exposure(station: &Station, plan: &Plan) -> Option<Exposure> {
    let (mut worst, mut near_field_from_hz, mut near_field_to_hz) = (None::<Worst>, None, None);
    for frequency in &plan.frequencies {
        let here = match at(station, plan, *frequency) {
            Seen::Far(here) => here,
            Seen::Near => {
                near_field_from_hz.get_or_insert(frequency.hz());
                near_field_to_hz = Some(frequency.hz());
                continue;
            }
            Seen::NoTable => continue,
        };
        if worst.is_none_or(|worst| here.farthest_m() > worst.farthest_m()) {
            worst = Some(here);
        }
    }
    (worst.is_some() || near_field_to_hz.is_some()).then(|| Exposure {
        worst,
        near_field_from_hz,
        near_field_to_hz,
        gain_assumed: station.transmit_antenna.figure.is_none(),
        distance_m: station.distance.m(),
    })
}

/// λ/2π, m.
fn reactive_m(frequency_hz: f64) -> f64 {
    LIGHT_M_PER_S / frequency_hz / (2.0 * std::f64::consts::PI)
}

/// What the far-field formula says of a frequency.
enum Seen {
    Far(Worst),
    Near,
    NoTable,
}

fn at(station: &Station, plan: &Plan, frequency: Frequency) -> Seen {
    let sent = allowed(station, frequency, plan.settings_at(frequency).source_level);
    let cable = Ratio::from_db(cable_db(&station.transmit_antenna, frequency));
    let radiated = sent.feed - cable;
    let gain_dbi = antenna_dbi(&station.transmit_antenna, frequency);
    let gain = Ratio::from_db(gain_dbi);
    let away = |guideline| exposure_distance(radiated, gain, frequency, guideline).ok();
    let Some(icnirp) = away(Guideline::Icnirp2020Public) else {
        return Seen::NoTable;
    };
    let cfr = away(Guideline::Cfr1310Public);
    let cfr_m = cfr.and_then(|cfr| cfr.far_field_distance_m);
    if icnirp.far_field_distance_m.is_none() && cfr_m.is_none() {
        return Seen::Near;
    }
    let distance = Length::from_m(station.distance.m());
    let field = field_strength(radiated, gain, frequency, distance);
    Seen::Far(Worst {
        frequency_hz: frequency.hz(),
        radiated_dbm: radiated.dbm(),
        gain_dbi,
        e_v_per_m: field.ok().map(|field| field.e_v_per_m),
        icnirp_v_per_m: icnirp.reference_e_v_per_m,
        icnirp_m: icnirp.keep_away_m,
        cfr_v_per_m: cfr.map(|cfr| cfr.reference_e_v_per_m),
        cfr_m: cfr.map(|cfr| cfr.keep_away_m),
    })
}

impl Exposure {
    /// For people who are about to switch on. A distance is said only together with the frequencies that it is for:
    /// where the near field decides, no distance of the others is a safe one.
    pub fn sentence(&self) -> String {
        let mut said = vec!["People:".to_owned()];
        if let (Some(from), Some(to)) = (self.near_field_from_hz, self.near_field_to_hz) {
            said.push(near_field_sentence(from, to));
        }
        if let Some(worst) = &self.worst {
            said.push(self.worst_sentence(worst));
        }
        if self.near_field_to_hz.is_some() && self.worst.is_some() {
            said.push(
                "That is no safe distance for the frequencies where the near field decides."
                    .to_owned(),
            );
        }
        if self.gain_assumed {
            said.push(format!(
                "The antenna is taken for a dipole of {ANTENNA_DBI} dBi: [transmit_antenna] gives no gain."
            ));
        }
        said.join(" ")
    }

    fn worst_sentence(&self, worst: &Worst) -> String {
        let field = match worst.e_v_per_m {
            Some(e) => format!(
                "the field in the beam is {e:.1} V/m at {} m; ",
                self.distance_m
            ),
            None => String::new(),
        };
        let cfr = match (worst.cfr_v_per_m, worst.cfr_m) {
            (Some(e), Some(m)) => format!(", that of 47 CFR 1.1310 ({e:.1} V/m) from {m:.2} m on"),
            _ => String::new(),
        };
        format!(
            "At {}, {field}the reference level for the general public of ICNIRP 2020 ({:.1} V/m) is met from {:.2} m on{cfr}.",
            Frequency::from_hz(worst.frequency_hz),
            worst.icnirp_v_per_m,
            worst.icnirp_m
        )
    }
}

fn near_field_sentence(from_hz: f64, to_hz: f64) -> String {
    let (from, to) = (Frequency::from_hz(from_hz), Frequency::from_hz(to_hz));
    let range = if from == to {
        format!("At {from}")
    } else {
        format!("From {from} to {to}")
    };
    let reach = format!("λ/2π, {:.2} m at {to}", reactive_m(to_hz));
    let stimulation = if from_hz <= STIMULATION_TO_HZ {
        " Below 10 MHz 83 V/m and 21 A/m (general public, ICNIRP 2020) protect against nerve stimulation as well."
    } else {
        ""
    };
    format!(
        "{range} the near field decides (closer than {reach}). No formula here gives its strength, so no distance is known to be \
         safe: keep well away, or have it measured.{stimulation}"
    )
}
