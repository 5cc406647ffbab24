//! Forecasts of a bench whose every figure is given, by hand arithmetic from them.

use super::*;
use crate::config::Drivers;
use std::path::Path;

/// A workshop's bench: short antennas, whose gain falls by 20 dB per decade below 30 MHz, and a receiver
/// of 18 dB noise figure. Invented; the shape is that of any unmatched short antenna.
const BENCH: &str = r#"
frequency_tolerance = 1e-9
placement_time = "30 s"
[transmit_antenna]
gain_table = "short.csv"
cable_loss = "1 dB"
[receive_antenna]
gain_table = "short.csv"
cable_loss = "1 dB"
[[table]]
name = "short.csv"
text = '''
frequency_mhz,gain_db
0.1,-49.5
30,0
1000,0
'''
"#;

fn station(bench: &str) -> Station {
    // The keys at the top of the addition have to stand before the first table.
    let (top, tables) = bench.split_once("[transmit").unwrap_or((bench, ""));
    let base = include_str!("../../../config/station.toml")
        .replace("[source]", &format!("{top}\n[source]"))
        .replace("damage_level", "noise_figure = \"18 dB\"\ndamage_level");
    let tables = match tables {
        "" => String::new(),
        tables => format!("[transmit{tables}"),
    };
    Station::read(
        "station.toml",
        &(base + &tables),
        Drivers::Folder(Path::new(".")),
    )
    .expect("station")
}

fn plan(change: impl Fn(String) -> String) -> Plan {
    let text = r#"
name = "acceptance"
faces = ["front", "back", "left", "right", "top", "bottom"]
polarisations = ["horizontal", "vertical"]
[frequencies]
start = "100 kHz"
stop = "1 GHz"
per_decade = 10
[settings]
source_level = "-10 dBm"
span = "200 kHz"
points = 201
resolution_bandwidth = "10 kHz"
attenuation = "0 dB"
detector = "peak"
sweeps = 10
[limit]
line = [["100 kHz", "50 dB"], ["1 GHz", "50 dB"]]
"#;
    Plan::read("plan.toml", &change(text.to_owned())).expect("plan")
}

fn forecast_with(plan: &Plan, station: &Station, reference: Option<link::Reference>) -> Forecast {
    super::forecast_with(plan, station, reference).expect("closings")
}

fn at(forecast: &Forecast, hz: f64) -> &PointForecast {
    let found = forecast
        .points
        .iter()
        .find(|point| point.frequency_hz == hz);
    found.expect("the frequency is in the plan")
}

#[track_caller]
fn near(got: f64, want: f64, tolerance: f64) {
    assert!((got - want).abs() <= tolerance, "got {got}, want {want}");
}

#[test]
fn a_link_budget_adds_up() {
    let forecast = forecast_with(&plan(|text| text), &station(BENCH), None);
    let point = at(&forecast, 1e8);
    // -10 dBm, amplifier 40 dB, a cable of 1 dB at either end, antennas of 0 dBi, and the 12.44778 dB of
    // one metre at 100 MHz (ORACLES C16).
    near(
        point.view.reference_dbm,
        -10.0 + 40.0 - 2.0 - 12.44778,
        1e-4,
    );
    // ORACLES A22 and A21: thermal noise, noise figure, 10 kHz through a Gaussian filter; the samples of
    // ten sweeps over two bandwidths, held.
    let held = 10.0 * (1.0 + 20.0 * 0.59735f64);
    let held_db = 10.0 * (-(1.0 - 0.5f64.powf(1.0 / held)).ln()).log10();
    near(
        point.view.floor_dbm,
        -133.9752 + 0.2713 + 18.0 + held_db,
        1e-2,
    );
    assert_eq!(point.basis, Basis::LinkBudget);
    assert!(!point.near_field && at(&forecast, 1e5).near_field);
    // Floor and signal, ten sweeps of 2.5 · 200 kHz / (10 kHz)².
    near(
        point.view.seconds,
        2.0 * (10.0 * (5e-3 + 0.01) + 0.1) + 0.02,
        1e-9,
    );
    assert!(
        forecast.assumed.iter().all(|line| line.contains("λ/2π")),
        "{:?}",
        forecast.assumed
    );
    // What nobody gave is named.
    let bare = forecast_with(&plan(|text| text), &station(""), None);
    for part in [
        "transmit antenna: 2.15 dBi",
        "receive cable: no loss",
        "placing: 60 s",
    ] {
        assert!(
            bare.assumed.iter().any(|line| line.contains(part)),
            "{part}"
        );
    }
}

#[test]
fn a_level_held_back_is_forecast_as_held_back() {
    let loud = plan(|text| text.replace("\"-10 dBm\"", "\"10 dBm\""));
    let forecast = forecast_with(&loud, &station(BENCH), None);
    // 20 dBm at the receiver, plus 12 dB of path, less the gain of 40 dB.
    near(at(&forecast, 1e8).view.source_dbm, -8.0, 1e-9);
}

#[test]
fn a_budget_never_counts_on_less_loss_than_the_station_relies_on() {
    // Two antennas of 30 dBi at a metre: free space would leave a gain.
    let beams = BENCH.replace("30,0\n1000,0", "30,30\n1000,30");
    let forecast = forecast_with(&plan(|text| text), &station(&beams), None);
    // path_loss_min is 12 dB, behind 40 dB of gain.
    near(
        at(&forecast, 1e8).view.reference_dbm,
        -10.0 + 40.0 - 12.0,
        1e-9,
    );
}

#[test]
fn help_is_what_it_says() {
    let plan = plan(|text| text.replace("\"0 dB\"", "\"20 dB\""));
    let station = station(BENCH);
    let forecast = forecast_with(&plan, &station, None);
    let point = at(&forecast, 1e5);
    let short_db = point.short_db.expect("too little arrives at 100 kHz");
    near(
        short_db,
        point.needed_db.expect("limit") - point.view.visible_se_db,
        1e-9,
    );
    let gain = |word: &str| {
        let help = point.help.iter().find(|help| help.what.contains(word));
        help.unwrap_or_else(|| panic!("{word} in {:?}", point.help))
            .gain_db
    };
    near(gain("source level"), 2.0, 1e-9);
    // From 10 kHz to 10 Hz; held and judged alike.
    near(gain("resolution bandwidth 10 Hz"), 30.0, 1e-6);
    near(gain("attenuation 0 dB instead of 20 dB"), 20.0, 1e-9);
    // Friis: 38 dB behind 20 dB of gain is 10^1.8 + 10^0.5 - 0.01 = 66.25, or 18.21 dB.
    near(gain("preamplifier"), 38.0 - 18.2121, 1e-3);
    // In the near field nobody knows what half the distance gives.
    assert!(!point.help.iter().any(|help| help.what.contains("distance")));
    // What is promised comes true: the plan changed as the help says shows so much more.
    let narrow = Settings {
        resolution_bandwidth: Frequency::from_hz(10.0),
        span: Frequency::from_hz(200.0),
        ..plan.settings.clone()
    };
    let bench = Bench::of(&plan, &station, None);
    let frequency = Frequency::from_hz(1e5);
    let view = bench.view(&bench.links.at(&station, frequency), frequency, &narrow);
    near(
        view.visible_se_db - point.view.visible_se_db,
        gain("resolution bandwidth"),
        1e-9,
    );
}

#[test]
fn chosen_settings_show_enough_and_write_a_plan_that_says_the_same() {
    let (plan, station) = (plan(|text| text), station(BENCH));
    let forecast = forecast_with(&plan, &station, None);
    for point in &forecast.points {
        let chosen = point.chosen.as_ref().expect("a limit everywhere");
        assert!(chosen.enough, "{point:?}");
        assert!(chosen.view.visible_se_db >= point.needed_db.expect("limit"));
    }
    let text = with_bands(&plan, &forecast.points).expect("bands");
    let written = Plan::read("new.toml", &text).unwrap_or_else(|faults| panic!("{faults}\n{text}"));
    written.check(&station).expect("fits");
    for point in &forecast.points {
        let settings = written.settings_at(Frequency::from_hz(point.frequency_hz));
        assert_eq!(
            Some(settings),
            point.chosen.as_ref().map(|chosen| &chosen.settings)
        );
    }
    // Seen through the new plan nothing is short any more, and it takes as long as was said.
    let again = forecast_with(&written, &station, None);
    assert!(again.points.iter().all(|point| point.short_db.is_none()));
    let said = forecast.comparison.expect("a limit").chosen;
    near(again.duration.total_s(), said.total_s(), 1e-6);
}

#[test]
fn bandwidths_stay_wide_enough_for_the_frequency_error() {
    let loose = BENCH.replace("1e-9", "1e-6");
    let forecast = forecast_with(
        &plan(|text| text.replace("\"50 dB\"", "\"132 dB\"")),
        &station(&loose),
        None,
    );
    // One part in a million of 1 GHz is 1 kHz: narrower, and the signal could lie beside the window.
    let narrowest = |hz: f64| {
        let chosen = at(&forecast, hz).chosen.as_ref().expect("a limit");
        chosen.view.resolution_bandwidth_hz
    };
    assert_eq!(
        (narrowest(1e9), narrowest(1e8), narrowest(1e5)),
        (1e3, 100.0, 10.0)
    );
}

#[test]
fn where_nothing_is_enough_no_time_is_spent_on_sweeps() {
    let blind = plan(|text| text.replace("\"50 dB\"", "\"150 dB\""));
    let forecast = forecast_with(&blind, &station(BENCH), None);
    let comparison = forecast.comparison.as_ref().expect("a limit");
    assert_eq!(comparison.hopeless, 41);
    assert!(comparison.fixed.is_none());
    let chosen = at(&forecast, 1e5).chosen.as_ref().expect("a limit");
    assert!(!chosen.enough);
    assert_eq!(
        (chosen.view.resolution_bandwidth_hz, chosen.view.sweeps),
        (10.0, 3)
    );
}

/// The figure of the issue: `cargo test --lib planned_settings -- --nocapture` prints it.
#[test]
fn planned_settings_take_a_fifth_of_the_time_of_one_setting_for_all() {
    let forecast = forecast_with(&plan(|text| text), &station(BENCH), None);
    assert_eq!(forecast.points.len(), 41);
    let comparison = forecast.comparison.expect("a limit");
    assert_eq!(comparison.hopeless, 0);
    let fixed = comparison.fixed.expect("one setting shows enough");
    let (planned_s, fixed_s) = (comparison.chosen.total_s(), fixed.duration.total_s());
    println!(
        "100 kHz to 1 GHz, 10 a decade, 6 faces, 2 polarisations, reference and one item, 50 dB:\n\
         planned settings {:.2} h; one setting good enough for the worst point ({} Hz, {} sweeps) {:.2} h; {:.1} times\n\
         of both {:.2} h are placing",
        planned_s / 3600.0,
        fixed.resolution_bandwidth_hz,
        fixed.sweeps,
        fixed_s / 3600.0,
        fixed_s / planned_s,
        comparison.chosen.placing_s / 3600.0,
    );
    assert!(fixed_s > 5.0 * planned_s);
    // The single setting is the slowest that any frequency was given, no slower.
    let slowest = forecast
        .points
        .iter()
        .filter_map(|point| point.chosen.as_ref());
    let slowest_s = slowest
        .map(|chosen| chosen.view.seconds)
        .fold(0.0, f64::max);
    near(
        fixed.duration.item_s,
        12.0 * (30.0 + 41.0 * slowest_s),
        1e-6,
    );
}

#[test]
fn between_the_frequencies_of_a_reference_lies_a_straight_line() {
    let station = station(BENCH);
    let reference = link::Reference::of_test(&[(1e6, -30.0, -140.0), (1e8, -10.0, -144.0)]);
    let links = Links::new(Some(reference));
    let at = |hz| links.at(&station, Frequency::from_hz(hz));
    let here = at(1e6);
    assert_eq!((here.path_gain_db, here.basis), (-30.0, Basis::Reference));
    let between = at(1e7);
    near(between.path_gain_db, -20.0, 1e-9);
    near(between.noise_dbm_per_hz(None), -142.0, 1e-9);
    assert_eq!(between.basis, Basis::Between);
    assert_eq!(at(1e9).basis, Basis::LinkBudget);
    // The reference was read with 10 dB: without, ten less.
    near(
        here.noise_dbm_per_hz(Some(crate::quantity::Ratio::ZERO)),
        -150.0,
        1e-9,
    );
}

#[test]
fn exposure_is_the_published_distance() {
    let plan = plan(|text| {
        text.replace(
            "start = \"100 kHz\"\nstop = \"1 GHz\"\nper_decade = 10",
            "list = [\"100 MHz\", \"1 GHz\"]",
        )
    });
    let exposure = exposure(&station(BENCH), &plan).expect("it radiates");
    let worst = exposure.worst.expect("far field at 1 GHz");
    // 30 dBm less 1 dB of cable at 0 dBi, as in ORACLES C20: sqrt(30 P G) / d.
    let volts = (30.0 * 10f64.powf(-0.1)).sqrt();
    near(worst.e_v_per_m.expect("far"), volts, 1e-9);
    // ICNIRP 2020 table 5: 1.375 sqrt(f/MHz); 47 CFR 1.1310: f/1500 mW/cm2.
    near(worst.icnirp_v_per_m, 1.375 * 1000f64.sqrt(), 1e-9);
    near(worst.icnirp_m, volts / worst.icnirp_v_per_m, 1e-9);
    near(
        worst.cfr_v_per_m.expect("in its table"),
        (1000.0 / 150.0 * 376.7303f64).sqrt(),
        1e-3,
    );
    // At 100 MHz the formula ends within the near field.
    assert_eq!(
        (exposure.near_field_to_hz, exposure.gain_assumed),
        (Some(1e8), false)
    );
    let said = exposure.sentence();
    assert!(
        said.contains("4.9 V/m at 1 m")
            && said.contains("100 MHz the near field decides")
            && said.contains("no distance is known to be safe")
            && said.contains("That is no safe distance"),
        "{said}"
    );
}

#[test]
fn a_sealed_plan_is_forecast_closing_by_closing() {
    let plan = plan(|text| {
        text.replace(
            "start = \"100 kHz\"\nstop = \"1 GHz\"\nper_decade = 10",
            "list = [\"100 MHz\", \"200 MHz\", \"610 MHz\"]",
        )
        .replace("faces =", "arrangement = \"sealed\"\nfaces =")
        .replace("points = 201", "points = 10001")
        .replace("span = \"200 kHz\"", "span = \"20 MHz\"")
        .replace(
            "resolution_bandwidth = \"10 kHz\"",
            "resolution_bandwidth = \"100 kHz\"",
        )
    });
    let forecast = forecast_with(&plan, &station(BENCH), None);
    // The second harmonic of 100 MHz falls on 200 MHz.
    let shared: Vec<_> = forecast
        .closings
        .iter()
        .map(|c| c.frequencies_hz.clone())
        .collect();
    assert_eq!(shared, [vec![100e6, 610e6], vec![200e6]]);
    // By hand: the trace reaches 2 % of the distance beyond each, and at least 20 filters.
    let [first, second] = forecast.closings.as_slice() else {
        panic!("{:?}", forecast.closings)
    };
    let span_hz = 510e6 + 2.0 * (0.02 * 510e6 + 20.0 * 100e3);
    near(first.stop_hz - first.start_hz, span_hz, 1e-3);
    near(first.sweep_s, 2.5 * span_hz / 100e3f64.powi(2), 1e-9);
    // Eleven sweeps over each of two carriers and over the first once more, and the settling.
    near(first.closed_s, 3.0 * (11.0 * first.sweep_s + 0.02), 1e-9);
    // Nearly as many samples are held, by 33 sweeps of few bins or 22 of many; what is left is the way at 610 MHz
    // and at 200 MHz (ITU-R P.525).
    let further_db = 20.0 * (610f64 / 200.0).log10();
    near(
        second.dynamic_range_db - first.dynamic_range_db,
        further_db,
        0.5,
    );
    // Twelve stands; both closings with their silent twins, closed and opened by hand in 30 s each.
    let closed_s = first.closed_s + second.closed_s + 2.0 * 2.0;
    near(
        forecast.duration.item_s,
        12.0 * 2.0 * (closed_s + 2.0 * 2.0 * 30.0),
        1e-6,
    );
    assert!(forecast.points.iter().all(|point| point.chosen.is_none()));
    assert!(
        forecast
            .points
            .iter()
            .all(|p| p.help.iter().all(|help| !help.what.contains("bandwidth")))
    );
}

#[test]
fn a_preamplifier_is_chosen_where_the_station_has_one() {
    let bench = format!("{BENCH}\n[preamplifier]\ngain = \"20 dB\"\nnoise_figure = \"8 dB\"\n");
    let plan = plan(|text| text.replace("[settings]", "[settings]\nsettle = \"20 ms\""));
    let (without, with) = (
        forecast_with(&plan, &station(BENCH), None),
        forecast_with(&plan, &station(&bench), None),
    );
    let chosen = |forecast: &Forecast| at(forecast, 1e5).chosen.clone().expect("chosen");
    let settings = chosen(&with).settings;
    assert_eq!(
        settings.preamplifier,
        Some(crate::config::PreamplifierUse::Item)
    );
    // 18 dB without and 8 dB with: ten decibels more (no attenuation).
    let link = Links::new(None).at(&station(&bench), Frequency::from_hz(1e5));
    let preamplifier = station(&bench).preamplifier.expect("one");
    let none = Some(crate::quantity::Ratio::ZERO);
    let at_hz = Frequency::from_hz(1e5);
    near(
        link.noise_dbm_per_hz(none) - link.preamplified_dbm_per_hz(none, &preamplifier, at_hz),
        10.0,
        1e-9,
    );
    assert!(chosen(&with).view.seconds <= chosen(&without).view.seconds);
    let text = with_bands(&plan, &with.points).expect("bands");
    assert!(text.contains("preamplifier = \"item\""), "{text}");
    Plan::read("new.toml", &text)
        .expect("reads")
        .check(&station(&bench))
        .expect("fits");
}

#[test]
fn a_scheduled_plan_takes_as_long_as_its_timetable() {
    let scheduled = plan(|text| text.replace("faces =", "arrangement = \"scheduled\"\nfaces ="));
    let forecast = forecast_with(&scheduled, &station(BENCH), None);
    let schedule = Schedule::of(&scheduled).expect("a timetable");
    // Two polarisations, six faces; 30 s for hands before each, and after each of the item.
    let (reference_s, item_s) = (
        schedule.length_s(RunKind::Reference),
        schedule.length_s(RunKind::Item),
    );
    near(
        forecast.duration.reference_s,
        2.0 * (30.0 + reference_s),
        1e-6,
    );
    near(forecast.duration.item_s, 12.0 * (60.0 + item_s), 1e-6);
    assert!(forecast.comparison.is_none());
}
