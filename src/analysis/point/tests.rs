use super::*;
use proptest::prelude::*;

const SPAN_HZ: (f64, f64) = (99e6, 101e6);
const WINDOW: Window = Window {
    centre_hz: 100e6,
    half_width_hz: 50e3,
};

/// A trace of one level with another in the middle bin.
fn peak(floor_dbm: f64, level_dbm: f64) -> Vec<f64> {
    let mut levels = vec![floor_dbm; 201];
    levels[100] = level_dbm;
    levels
}

struct Case {
    reference_dbm: f64,
    level_dbm: f64,
    floor_dbm: f64,
    limit_db: Option<f64>,
}

impl Case {
    /// On a floor that stands still, as a display shows it.
    fn judge(&self) -> PointResult {
        self.judge_with(|_| ())
    }

    fn judge_with(&self, change: impl FnOnce(&mut PointInput)) -> PointResult {
        let floor = vec![self.floor_dbm; 201];
        let reference = peak(self.floor_dbm, self.reference_dbm);
        let item = peak(self.floor_dbm, self.level_dbm);
        let trace = |levels| Trace::new(SPAN_HZ.0, SPAN_HZ.1, levels).expect("a trace");
        let reading = |levels| ReadingInput {
            signal: trace(levels),
            floor: trace(&floor),
            window: WINDOW,
            rbw_hz: 30e3,
            hold: Hold::over(10),
            overload: false,
        };
        let mut input = PointInput {
            reference: reading(&reference),
            item: reading(&item),
            setting_difference_db: 0.0,
            station: &BudgetInput::default(),
            scatter: PointScatter::default(),
            limit_db: self.limit_db,
            rule: DecisionRule::Guarded,
            false_alarm: 1e-3,
            observed: &[],
        };
        change(&mut input);
        judge_point(&input).expect("a point")
    }
}

fn words(result: &PointResult) -> Vec<&'static str> {
    result.flags.iter().map(|flag| flag.word.as_str()).collect()
}

#[test]
fn reference_minus_reading_is_the_se() {
    // Common practice, no source.
    let result = Case {
        reference_dbm: -24.0,
        level_dbm: -76.0,
        floor_dbm: -95.0,
        limit_db: Some(50.0),
    }
    .judge();
    // What noise 19 dB below may have added: nothing, or 10 lg(1 + 10^-1.9) = 0.055 dB.
    let se_db = result.se_db.expect("a value");
    assert_eq!(result.kind, Kind::Measured);
    assert!((se_db - 52.0 - 0.5 * 0.055).abs() < 1e-3, "{se_db}");
    let range_db = result.dynamic_range_db.expect("a range");
    assert!((range_db - 71.0).abs() < 1e-3, "{range_db}");
    assert_eq!(result.margin_db, Some(se_db - 50.0));
    assert_eq!(
        result.verdict,
        Some(Verdict::Undecided),
        "U is more than the margin"
    );
    assert_eq!(words(&result), ["near_floor"]);
}

#[test]
fn nothing_above_the_floor_is_a_bound_and_never_a_value() {
    // Common practice, no source.
    for (limit_db, verdict) in [
        (60.0, Verdict::Pass),
        (61.5, Verdict::Pass),
        (65.0, Verdict::Undecided),
    ] {
        let result = Case {
            reference_dbm: -31.0,
            level_dbm: -95.0,
            floor_dbm: -95.0,
            limit_db: Some(limit_db),
        }
        .judge();
        // The station's defaults are 1.205 dB (by hand: rectangular 1, 0.5 and 1.5, U-shaped 0.263, normal 0.5); 1.645 of
        // them, and a little more among the readings up to 3 dB above the floor.
        let bound_db = result.se_db.expect("a bound");
        assert_eq!(result.kind, Kind::AtLeast);
        assert!(
            (1.645..1.9).contains(&((64.0 - bound_db) / 1.205)),
            "{bound_db}"
        );
        assert_eq!((result.u_db, result.verdict), (None, Some(verdict)));
        let blind = limit_db > 64.0;
        assert_eq!(words(&result).contains(&"cannot_see_limit"), blind);
    }
}

#[test]
fn without_a_reference_or_with_an_overload_nothing_is_stated() {
    let case = Case {
        reference_dbm: -94.0,
        level_dbm: -95.0,
        floor_dbm: -95.0,
        limit_db: Some(10.0),
    };
    let result = case.judge();
    assert_eq!((result.kind, result.se_db), (Kind::None, None));
    assert_eq!(result.verdict, Some(Verdict::Undecided));
    let case = Case {
        reference_dbm: -24.0,
        limit_db: None,
        ..case
    };
    let result = case.judge_with(|input| input.item.overload = true);
    assert_eq!((result.kind, result.verdict), (Kind::None, None));
    assert_eq!(words(&result), ["overload"]);
}

#[test]
fn other_settings_and_a_moved_reference_are_accounted_for() {
    let case = Case {
        reference_dbm: -44.0,
        level_dbm: -66.0,
        floor_dbm: -95.0,
        limit_db: None,
    };
    let plain = case.judge();
    let result = case.judge_with(|input| {
        input.setting_difference_db = 20.0;
        input.scatter.settings_differ = true;
        input.scatter.drift_db = Some(-1.5);
    });
    let (plain_db, other_db) = plain.se_db.zip(result.se_db).expect("values");
    assert!((plain_db - 22.0).abs() < 0.01 && (other_db - plain_db - 20.0).abs() < 1e-9);
    assert_eq!(words(&result), ["reference_drift"]);
    assert!(result.u_db > plain.u_db);
}

#[test]
fn more_signal_with_the_item_is_flagged() {
    let result = Case {
        reference_dbm: -40.0,
        level_dbm: -37.0,
        floor_dbm: -95.0,
        limit_db: Some(30.0),
    }
    .judge();
    assert!(result.se_db.is_some_and(|db| (db + 3.0).abs() < 1e-3));
    assert_eq!(result.verdict, Some(Verdict::Fail));
    assert_eq!(words(&result), ["negative_se"]);
}

#[test]
fn what_is_stored_comes_back_the_same() {
    let result = Case {
        reference_dbm: -24.0,
        level_dbm: -76.0,
        floor_dbm: -95.0,
        limit_db: Some(50.0),
    }
    .judge();
    let json = serde_json::to_string(&result).expect("json");
    assert_eq!(
        serde_json::from_str::<PointResult>(&json).expect(&json),
        result
    );
}

proptest! {
    #[test]
    fn any_traces_make_numbers_or_a_bound_and_never_panic(
        levels in proptest::collection::vec(-300.0..300.0f64, 1..80),
        steps in 0.0..4.0f64,
        (half_width_hz, rbw_hz) in (0.0..2e6f64, 0.0..1e6f64),
        sweeps in 0..2000u32,
    ) {
        // Rounding to coarse steps makes ties and steady floors as common as noise.
        let coarse = |shift: f64| -> Vec<f64> {
            levels.iter().map(|l| if steps < 1.0 { l + shift } else { (l / 100.0).round() * steps }).collect()
        };
        let (signal, floor) = (coarse(7.0), coarse(0.0));
        let trace = |levels| Trace::new(SPAN_HZ.0, SPAN_HZ.1, levels).expect("a trace");
        let reading = |signal| ReadingInput {
            signal: trace(signal),
            floor: trace(&floor),
            window: Window { centre_hz: 100e6, half_width_hz },
            rbw_hz,
            hold: Hold::over(sweeps),
            overload: false,
        };
        let input = PointInput {
            reference: reading(&signal),
            item: reading(&floor),
            setting_difference_db: 0.0,
            station: &BudgetInput::default(),
            scatter: PointScatter::default(),
            limit_db: None,
            rule: DecisionRule::Simple,
            false_alarm: 1e-3,
            observed: &[],
        };
        // One bin stands at the start of the span, too far from the middle to be picked there.
        prop_assume!(levels.len() > 1);
        let result = judge_point(&input).expect("a point");
        prop_assert_eq!(result.kind == Kind::None, result.se_db.is_none());
        prop_assert!(result.se_db.is_none_or(f64::is_finite), "{:?}", result);
        prop_assert!(result.u_db.is_none_or(|u| u.is_finite() && u > 0.0), "{:?}", result);
    }
}

#[test]
fn noise_spread_over_hundreds_of_decibels_gives_a_number_all_the_same() {
    // Found by the property test above.
    let floor = [
        0.0,
        -217.17021239156531,
        0.0,
        -178.15628726608284,
        0.0,
        0.0,
        -204.6781632072337,
        41.15013896155649,
        0.0,
        0.0,
        0.0,
        217.88161090661103,
        0.0,
        0.0,
        -138.27733336926738,
        0.0,
    ];
    let window = Window {
        centre_hz: 100e6,
        half_width_hz: 806495.5067800515,
    };
    let floor = Trace::new(SPAN_HZ.0, SPAN_HZ.1, &floor).expect("a trace");
    for level_dbm in [-300.0, 0.0, 217.88161090661103, 224.88161090661103, 1000.0] {
        let judged =
            crate::analysis::floor::Floor::of(&floor, window, 100e6, &Hold::over(0), 0.0, 1e-3)
                .expect("a window")
                .judge(level_dbm);
        assert!(
            !format!("{judged:?}").contains("NaN"),
            "{level_dbm}: {judged:?}"
        );
    }
}
