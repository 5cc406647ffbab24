//! From the source's setting to power at the receive antenna's connector: source, amplifier,
//! antennas, the metre of air between them, and the stations of the neighbourhood.
//!
//! Sources: C. Rapp, "Effects of HPA-nonlinearity on a 4-DPSK/OFDM signal", 1991, for the saturation
//! of the amplifier; ITU-R P.525 for free space. Sizes of the errors are those that data sheets of
//! laboratory instruments state, from memory.

use super::random::{curve, mix, normal, normal_curve, part, phase, symmetric, uniform};
use super::shielding::Polarisation;

use std::f64::consts::PI;

/// The frequencies that the source can make, Hz.
pub(super) const SOURCE_RANGE_HZ: (f64, f64) = (9e3, 3e9);
/// The levels that the source can make, dBm.
pub(super) const SOURCE_RANGE_DBM: (f64, f64) = (-60.0, 13.0);
/// Small-signal gain of the amplifier, dB.
const GAIN_DB: f64 = 40.0;
/// Its saturated output, dBm.
const SATURATION_DBM: f64 = 42.0;
/// The knee of the Rapp model; 2 is usual for solid-state amplifiers.
const KNEE: f64 = 2.0;
/// Distance between the antennas, m.
const DISTANCE_M: f64 = 1.0;
/// Round frequencies that a plan is likely to name, which the drawn stations keep away from, Hz.
const ROUND_HZ: [f64; 6] = [88e6, 90e6, 95e6, 100e6, 105e6, 108e6];
/// How far they keep away, Hz.
const KEEP_AWAY_HZ: f64 = 150e3;
/// The most stations that can be planted.
pub(super) const STATIONS_MAX: usize = 32;

/// One carrier.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Signal {
    pub frequency_hz: f64,
    pub power_mw: f64,
    /// Peak frequency deviation; 0 for a pure tone.
    pub deviation_hz: f64,
}

/// A transmitter of the neighbourhood.
#[derive(Debug, Clone, Copy, PartialEq, serde::Serialize)]
pub(super) struct Station {
    pub frequency_hz: f64,
    /// At the receive antenna in the open, without fading.
    pub level_dbm: f64,
    pub deviation_hz: f64,
}

/// What the operator set at the source.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Setting {
    pub on: bool,
    pub frequency_hz: f64,
    pub level_dbm: f64,
}

impl Setting {
    /// The state after power-up and `*RST`: output off.
    pub(super) const RESET: Self = Self {
        on: false,
        frequency_hz: 100e6,
        level_dbm: -60.0,
    };
}

/// The transmit side and the air, with the errors that this seed gave them.
#[derive(Debug)]
pub(super) struct Chain {
    clock_error: f64,
    level_seed: u64,
    drift_seed: u64,
    gain_seed: u64,
    ripple_seed: u64,
    fading_seed: u64,
}

impl Chain {
    pub(super) fn new(seed: u64) -> Self {
        Self {
            clock_error: 0.5e-6 * symmetric(part(seed, "source clock"), 0),
            level_seed: part(seed, "source level"),
            drift_seed: part(seed, "source drift"),
            gain_seed: part(seed, "amplifier gain"),
            ripple_seed: part(seed, "path ripple"),
            fading_seed: part(seed, "fading"),
        }
    }

    /// Everything that arrives at the receive antenna's connector in the open because of the source.
    pub(super) fn received(
        &self,
        setting: &Setting,
        polarisation: Polarisation,
        time_s: f64,
    ) -> Vec<Signal> {
        if !setting.on {
            return Vec::new();
        }
        let radiated = self.amplified(setting, time_s);
        radiated
            .into_iter()
            .map(|(frequency_hz, dbm)| Signal {
                frequency_hz,
                power_mw: milliwatts(dbm - self.path_db(frequency_hz, polarisation)),
                deviation_hz: 0.0,
            })
            .collect()
    }

    /// All that comes out of the amplifier, dBm.
    pub(super) fn forward_dbm(&self, setting: &Setting, time_s: f64) -> f64 {
        match setting.on {
            true => dbm(self
                .amplified(setting, time_s)
                .into_iter()
                .map(|(_, carrier_dbm)| milliwatts(carrier_dbm))
                .sum()),
            false => f64::NEG_INFINITY,
        }
    }

    /// Carrier and harmonics at the amplifier's output: frequency in Hz and level in dBm.
    fn amplified(&self, setting: &Setting, time_s: f64) -> Vec<(f64, f64)> {
        let true_hz = setting.frequency_hz * (1.0 + self.clock_error);
        let drive_dbm = setting.level_dbm + self.level_error_db(setting.frequency_hz, time_s);
        let output_dbm = saturate(drive_dbm + self.gain_db(true_hz));
        let mut carriers = vec![(true_hz, output_dbm)];
        for order in 2..=5 {
            let harmonic_hz = true_hz * f64::from(order);
            if harmonic_hz > SOURCE_RANGE_HZ.1 {
                break;
            }
            let own = milliwatts(output_dbm - 30.0 - 6.0 * f64::from(order - 1));
            let made = milliwatts(output_dbm + harmonic_dbc(order, output_dbm));
            carriers.push((harmonic_hz, dbm(own + made)));
        }
        carriers
    }

    fn level_error_db(&self, frequency_hz: f64, time_s: f64) -> f64 {
        0.5 * curve(self.level_seed, 3.0 * frequency_hz.log10()) + drift_db(self.drift_seed, time_s)
    }

    fn gain_db(&self, frequency_hz: f64) -> f64 {
        GAIN_DB + curve(self.gain_seed, 2.0 * frequency_hz.log10())
    }

    /// Loss from the amplifier's output to the receive antenna's connector, dB.
    ///
    /// Two ways across add as powers: the radiated one, free space between two resistively loaded
    /// antennas (-10 dBi, with the 20 dB per decade roll-off of a short antenna below 300 MHz), and
    /// below some 20 MHz the electric near field, which the high-impedance buffer of an active
    /// receive antenna keeps flat down to 9 kHz.
    pub(super) fn path_db(&self, frequency_hz: f64, polarisation: Polarisation) -> f64 {
        let both_db = nominal_path_db(frequency_hz);
        let decades = frequency_hz.log10();
        let ripple_db = 1.5 * curve(self.ripple_seed, 4.0 * decades)
            + 1.0 * curve(self.ripple_seed ^ 1, 19.0 * decades);
        let mismatch_db = match polarisation {
            Polarisation::Vertical => 0.0,
            Polarisation::Horizontal => 2.5 + 1.2 * curve(self.ripple_seed ^ 2, 5.0 * decades),
        };
        // Two antennas that touch still lose something.
        (both_db + ripple_db + mismatch_db).max(12.0)
    }

    /// A station as it arrives at the antenna in the open, with its slow fading.
    pub(super) fn arriving(&self, index: usize, station: &Station, time_s: f64) -> Signal {
        let fading_db = 2.0 * curve(self.fading_seed ^ index as u64, time_s / 120.0);
        Signal {
            frequency_hz: station.frequency_hz,
            power_mw: milliwatts(station.level_dbm + fading_db),
            deviation_hz: station.deviation_hz,
        }
    }
}

/// The loss without what the room and this seed make of it.
fn nominal_path_db(frequency_hz: f64) -> f64 {
    let roll_off_db = 10.0 * (1.0 + (300e6 / frequency_hz).powi(2)).log10();
    let radiated_db = free_space_db(frequency_hz) + 2.0 * (10.0 + roll_off_db);
    let near_field_db = 57.0;
    -dbm(milliwatts(-radiated_db) + milliwatts(-near_field_db))
}

/// The gain of either antenna of the bench as its calibration would state it, a CSV of `frequency_mhz,gain_db`:
/// half of what the path takes more than free space does; closer than the wavelength over 2 pi, more than
/// the 6 dB free space would have there.
pub(super) fn antenna_table() -> String {
    let near_hz = 299_792_458.0 / (2.0 * PI * DISTANCE_M);
    let (low_hz, high_hz) = SOURCE_RANGE_HZ;
    let rows = 100;
    let mut at_hz: Vec<f64> = (0..=rows)
        .map(|row| low_hz * (high_hz / low_hz).powf(f64::from(row) / f64::from(rows)))
        .collect();
    at_hz.push(near_hz);
    at_hz.sort_by(f64::total_cmp);
    let mut text = "frequency_mhz,gain_db\n".to_owned();
    for hz in at_hz {
        let gain_db = 0.5 * (free_space_db(hz.max(near_hz)) - nominal_path_db(hz));
        text.push_str(&format!("{:.6},{gain_db:.2}\n", hz / 1e6));
    }
    text
}

/// Free-space loss between isotropic antennas over the distance of the bench (ITU-R P.525), dB.
/// Nearer than a wavelength it comes out negative; the antennas' roll-off more than outweighs it.
fn free_space_db(frequency_hz: f64) -> f64 {
    20.0 * (4.0 * PI * DISTANCE_M * frequency_hz / 299_792_458.0).log10()
}

/// The amplifier's output for what a linear one would give (Rapp).
fn saturate(linear_dbm: f64) -> f64 {
    let over = 10f64.powf((linear_dbm - SATURATION_DBM) / 20.0);
    linear_dbm - 20.0 / (2.0 * KNEE) * (1.0 + over.powf(2.0 * KNEE)).log10()
}

/// A harmonic made in the amplifier: -18 dBc for the second at saturation, falling order-1 dB per
/// dB of back-off (the power series of a weak nonlinearity).
fn harmonic_dbc(order: i32, output_dbm: f64) -> f64 {
    let order = f64::from(order);
    let back_off_db = SATURATION_DBM - output_dbm;
    -18.0 - 5.0 * (order - 2.0) - (order - 1.0) * back_off_db
}

/// Drift since an arbitrary start: octaves of slow curves whose height grows as the root of their
/// period, as a random walk's does; about 0.1 dB over an hour.
fn drift_db(seed: u64, time_s: f64) -> f64 {
    (0..8)
        .map(|octave| {
            let period_h = 0.25 * f64::from(1 << octave);
            let height_db = 0.08 * period_h.sqrt();
            height_db * curve(seed ^ octave as u64, time_s / 3600.0 / period_h)
        })
        .sum()
}

/// Three or four stations of the FM broadcast band, on its 100 kHz raster.
pub(super) fn drawn_stations(seed: u64) -> Vec<Station> {
    let seed = part(seed, "stations");
    let count = 3 + (uniform(seed, 0) < 0.5) as u64;
    let channels: Vec<f64> = (0..=205)
        .map(|channel| 87.5e6 + f64::from(channel) * 100e3)
        .filter(|f| {
            ROUND_HZ
                .iter()
                .all(|round| (f - round).abs() > KEEP_AWAY_HZ)
        })
        .collect();
    let share = channels.len() as f64 / count as f64;
    (0..count)
        .map(|index| {
            // One in each share of the band, so that no two are neighbours by chance alone.
            let place = (index as f64 + 0.9 * uniform(seed, 10 + index)) * share;
            Station {
                frequency_hz: channels[(place as usize).min(channels.len() - 1)],
                level_dbm: -55.0 + 10.0 * symmetric(seed, 20 + index),
                deviation_hz: 75e3,
            }
        })
        .collect()
}

/// The change that one closing of an item makes, dB: how the flap lies, where the antenna stands.
pub(super) fn closing_db(seed: u64, closing: u64, frequency_hz: f64, sd_db: f64) -> f64 {
    let seed = mix(part(seed, "closing"), closing);
    // Half of the variance is common to all frequencies, half is not.
    let common = normal(seed, u64::MAX);
    let own = normal_curve(seed, 2.0 * frequency_hz.max(1.0).log10());
    sd_db * (common + own) / std::f64::consts::SQRT_2
}

/// What a placement changes because nothing stands quite where it stood in the open, dB: anything up to the
/// half-width, as likely.
pub(super) fn position_db(seed: u64, placement: u64, frequency_hz: f64, most_db: f64) -> f64 {
    let seed = mix(part(seed, "position"), placement);
    let phase = phase(seed, 6.0 * frequency_hz.max(1.0).log10());
    most_db * (2.0 * phase.abs() / PI - 1.0)
}

/// What antenna and receiver change in one reading by reflecting, dB; what surrounds the antenna turns the phase.
pub(super) fn mismatch_db(seed: u64, surroundings: u64, frequency_hz: f64, vswr: [f64; 2]) -> f64 {
    let [antenna, receiver] = vswr.map(|vswr| (vswr - 1.0) / (vswr + 1.0));
    let product = antenna * receiver;
    let seed = mix(part(seed, "mismatch"), surroundings);
    let phase = phase(seed, 20.0 * frequency_hz.max(1.0).log10());
    10.0 * (1.0 + 2.0 * product * phase.cos() + product * product).log10()
}

/// dBm to milliwatt.
pub(super) fn milliwatts(level_dbm: f64) -> f64 {
    10f64.powf(level_dbm / 10.0)
}

/// Milliwatt to dBm; nothing at all is -300 dBm, so that every trace holds finite numbers.
pub(super) fn dbm(power_mw: f64) -> f64 {
    10.0 * power_mw.max(1e-30).log10()
}

#[cfg(test)]
mod tests {
    use super::*;

    fn setting(frequency_hz: f64, level_dbm: f64) -> Setting {
        Setting {
            on: true,
            frequency_hz,
            level_dbm,
        }
    }

    #[test]
    fn free_space() {
        // ORACLES C16, ITU-R P.525: 1 m at 100 MHz.
        assert!((free_space_db(100e6) - 12.44778).abs() < 1e-4);
    }

    #[test]
    fn references_are_where_a_bench_has_them() {
        for seed in 0..20 {
            let chain = Chain::new(seed);
            for step in 0..=80 {
                let f_hz = 1e5 * 10f64.powf(f64::from(step) / 20.0);
                for polarisation in [Polarisation::Vertical, Polarisation::Horizontal] {
                    let signals = chain.received(&setting(f_hz, -10.0), polarisation, 0.0);
                    let level = dbm(signals[0].power_mw);
                    assert!((-35.0..=-15.0).contains(&level), "{level} at {f_hz}");
                    assert!(chain.path_db(f_hz, polarisation) >= 12.0);
                }
            }
        }
    }

    #[test]
    fn the_calibration_of_the_antennas_is_that_of_the_path() {
        let table = antenna_table();
        let gain_db = |near_mhz: f64| -> f64 {
            let rows = table
                .lines()
                .skip(1)
                .filter_map(|line| line.split_once(','));
            let rows = rows.map(|(mhz, db)| {
                (
                    mhz.parse::<f64>().expect("MHz"),
                    db.parse::<f64>().expect("dB"),
                )
            });
            let nearest = rows.min_by(|a, b| {
                let off = |mhz: f64| (mhz / near_mhz).ln().abs();
                off(a.0).total_cmp(&off(b.0))
            });
            nearest.expect("a row").1
        };
        // By hand at 300 MHz: 21.99 dB of free space (ORACLES C16's formula), twice 10 + 3.01 dB, and 57 dB beside
        // them: 47.5 dB, half of the difference for either antenna.
        assert!((gain_db(300.0) + 12.75).abs() < 0.3, "{}", gain_db(300.0));
        // Far below, the flat 57 dB less the 6.02 dB of the wavelength over 2 pi (ORACLES C15), halved.
        assert!((gain_db(0.1) + 25.49).abs() < 0.02, "{}", gain_db(0.1));
    }

    /// Mean, standard deviation and largest magnitude of twenty thousand draws.
    fn spread(draw: impl Fn(u64) -> f64) -> (f64, f64, f64) {
        let n = 20_000;
        let (mut sum, mut squares, mut most) = (0.0, 0.0, 0.0_f64);
        for placement in 0..n {
            let db = draw(placement);
            sum += db;
            squares += db * db;
            most = most.max(db.abs());
        }
        let mean = sum / n as f64;
        (mean, (squares / n as f64 - mean * mean).sqrt(), most)
    }

    #[test]
    fn a_position_is_rectangular_and_a_mismatch_u_shaped() {
        for hz in [1e6, 3e8] {
            // A rectangle's standard deviation is its half-width over the root of three (JCGM 100, 4.3.7).
            let (mean, sd, most) = spread(|placement| position_db(3, placement, hz, 0.5));
            assert!(
                mean.abs() < 0.01 && (sd - 0.2887).abs() < 0.004,
                "{mean} {sd}"
            );
            assert!((0.49..=0.5).contains(&most), "{most}");
            // 0.2 times 0.0909: 20 lg(1 ± 0.01818) = 0.1565 and -0.1594 dB; U-shaped, over the root of two.
            let (mean, sd, most) = spread(|placement| mismatch_db(3, placement, hz, [1.5, 1.2]));
            assert!(
                mean.abs() < 0.003 && (sd - 0.1117).abs() < 0.002,
                "{mean} {sd}"
            );
            assert!((0.157..=0.1594).contains(&most), "{most}");
        }
        assert_eq!(position_db(3, 1, 1e8, 0.0), 0.0);
        assert_eq!(mismatch_db(3, 1, 1e8, [1.0, 1.2]), 0.0);
    }

    #[test]
    fn silent_when_off() {
        let chain = Chain::new(1);
        let off = Setting {
            on: false,
            ..setting(1e8, 0.0)
        };
        assert!(chain.received(&off, Polarisation::Vertical, 0.0).is_empty());
    }

    #[test]
    fn the_amplifier_saturates_and_its_harmonics_rise() {
        // Rapp: at an input that would reach saturation, 20/2p lg 2 = 1.505 dB below it for p = 2.
        assert!((saturate(SATURATION_DBM) - (SATURATION_DBM - 1.50515)).abs() < 1e-4);
        assert!((saturate(0.0) - 0.0).abs() < 1e-3);
        assert!(saturate(80.0) <= SATURATION_DBM);
        let chain = Chain::new(1);
        let ratio = |level| {
            let out = chain.amplified(&setting(1e8, level), 0.0);
            out[1].1 - out[0].1
        };
        assert!(ratio(2.0) > ratio(-10.0) + 6.0);
    }

    #[test]
    fn the_source_is_as_wrong_as_it_may_be() {
        for seed in 0..200 {
            let chain = Chain::new(seed);
            assert!(chain.clock_error.abs() <= 0.5e-6);
            assert!(curve(chain.level_seed, 3.0).abs() <= 1.0);
        }
    }

    #[test]
    fn drift_walks() {
        // Root-mean-square change over one hour and over nine: about 0.1 dB, and about three times it.
        let change = |hours: f64| {
            let sum: f64 = (0..400)
                .map(|n| {
                    let start = f64::from(n) * 7000.0;
                    (drift_db(5, start + hours * 3600.0) - drift_db(5, start)).powi(2)
                })
                .sum();
            (sum / 400.0).sqrt()
        };
        let (one, nine) = (change(1.0), change(9.0));
        assert!((0.05..0.2).contains(&one), "{one}");
        assert!((2.0..4.0).contains(&(nine / one)), "{one} {nine}");
    }

    #[test]
    fn stations_keep_away_from_round_frequencies() {
        for seed in 0..200 {
            let stations = drawn_stations(seed);
            assert!((3..=4).contains(&stations.len()));
            for station in &stations {
                assert!((87.5e6..=108e6).contains(&station.frequency_hz));
                assert!((-65.0..=-45.0).contains(&station.level_dbm));
                for round in ROUND_HZ {
                    assert!((station.frequency_hz - round).abs() >= KEEP_AWAY_HZ);
                }
            }
        }
    }

    #[test]
    fn closings_differ_by_the_stated_spread() {
        let n = 4000;
        let sum: f64 = (0..n)
            .map(|closing| closing_db(1, closing, 3e8, 0.2).powi(2))
            .sum();
        let sd = (sum / n as f64).sqrt();
        assert!((sd - 0.2).abs() < 0.01, "{sd}");
    }
}
