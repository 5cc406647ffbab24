use super::*;

const CHIP_S: f64 = 0.4;

fn uniform(seed: u64, key: u64) -> f64 {
    (mix(seed, key) >> 11) as f64 / (1u64 << 53) as f64
}

/// The dB level of the highest of a few samples of complex noise with a carrier in all of them or in none.
fn level_dbm(seed: u64, key: u64, carrier_db: Option<f64>) -> f64 {
    let tries = 6;
    let power = (0..tries)
        .map(|n| {
            let key = 2 * (key * tries + n);
            let radius = (-(1.0 - uniform(seed, key)).ln()).sqrt();
            let (sin, cos) = (std::f64::consts::TAU * uniform(seed, key + 1)).sin_cos();
            let carrier = carrier_db.map_or(0.0, |db| 10f64.powf(db / 20.0));
            (radius * cos + carrier).powi(2) + (radius * sin).powi(2)
        })
        .fold(0.0, f64::max);
    -100.0 + 10.0 * power.log10()
}

/// What a recorder reads: levels of noise some 60 ms apart, the carrier in those whose sweep passed its
/// frequency while it was on. `ahead` is by how much its clock is ahead at a time of the source's.
fn recorded(
    seed: u64,
    lasts_s: f64,
    carrier_db: f64,
    sent: &[On],
    ahead: impl Fn(f64) -> f64,
) -> Vec<Sample> {
    let mut samples = Vec::new();
    let mut at_s = uniform(seed, 1) * 0.06 - 3.0;
    let mut key = 10;
    while at_s < lasts_s {
        let until_s = at_s + 0.04 + 0.03 * uniform(seed, key);
        let passed_s = at_s + (until_s - at_s) * uniform(seed, key + 1);
        // The output goes on at some time between being asked for and being seen.
        let is_on = |on: &On| {
            let from_s = on.on_s - 0.5 * (on.on_s - on.before_s);
            let end_s = on.off_s + 0.5 * (on.after_s - on.off_s);
            (from_s..end_s).contains(&passed_s)
        };
        let on = sent.iter().any(is_on).then_some(carrier_db);
        samples.push(Sample {
            from_s: at_s + ahead(at_s),
            until_s: until_s + ahead(until_s),
            level_dbm: level_dbm(seed, key, on),
        });
        at_s = until_s + 0.002;
        key += 2;
    }
    samples
}

/// A marker as a source makes it: late by some of its switching time, differently each time.
fn sent(pattern: &Pattern, seed: u64, begins_s: f64) -> Vec<On> {
    let planned = pattern.planned(CHIP_S);
    let late = |key: usize| 0.03 * uniform(seed ^ 77, key as u64);
    let moved = |(index, on): (usize, &On)| On {
        before_s: begins_s + on.before_s,
        on_s: begins_s + on.on_s + late(2 * index),
        off_s: begins_s + on.off_s,
        after_s: begins_s + on.off_s + late(2 * index + 1),
    };
    planned.iter().enumerate().map(moved).collect()
}

#[test]
fn patterns_are_balanced_and_unlike_their_shifts_and_each_other() {
    for seed in 0..20 {
        let patterns = Pattern::draw(seed, 3);
        assert_eq!(Pattern::draw(seed, 3), patterns);
        for (index, pattern) in patterns.iter().enumerate() {
            assert_eq!(pattern.0.iter().filter(|on| **on).count(), CHIPS / 2);
            assert!(pattern.0[0]);
            for other in &patterns[..=index] {
                let alike = pattern.likeness(other).max(other.likeness(pattern));
                // What a watch of a day takes for a marker is above 0.87.
                assert!(alike < 0.6, "{seed} {alike}");
            }
            let text = String::from(pattern.clone());
            assert_eq!(Pattern::try_from(text).as_ref(), Ok(pattern));
        }
    }
    assert!(Pattern::try_from("10".to_owned()).is_err());
}

/// Student's t with 38 degrees of freedom: 2.429 is exceeded in 1 % (tables, such as NIST/SEMATECH 1.3.6.7.2).
#[test]
fn the_chance_of_a_correlation() {
    let t: f64 = 2.429;
    let r = t / (38.0 + t * t).sqrt();
    assert!(
        (chance_of(r, 40) - 0.01).abs() < 2e-5,
        "{}",
        chance_of(r, 40)
    );
    let watcher = Watcher::new(Pattern::draw(1, 3), CHIP_S);
    assert!(chance_of(0.87, CHIPS) < 10.0 * watcher.chance_max());
    assert!(chance_of(0.80, CHIPS) > watcher.chance_max());
}

/// Over many seeds, clocks and strengths: the alignment found lies within its stated uncertainty, and that is
/// far below a chip.
#[test]
fn the_clock_is_recovered_within_the_stated_uncertainty() {
    let (mut tried, mut found, mut wide) = (0, 0, 0.0f64);
    for seed in 0..60 {
        for carrier_db in [6.0, 12.0, 40.0] {
            let patterns = Pattern::draw(seed % 5, 3);
            let ahead_s = -20.0 + 40.0 * uniform(seed, 3);
            let drift = 300e-6 * (2.0 * uniform(seed, 4) - 1.0);
            let length_s = CHIP_S * CHIPS as f64;
            // Time zero of the drift: the middle of the marker, as is assumed of what is estimated.
            let ahead = |at_s: f64| ahead_s + drift * (at_s - 0.5 * length_s);
            let sent = sent(&patterns[0], seed, 0.0);
            let samples = recorded(seed, length_s + 2.0, carrier_db, &sent, ahead);
            tried += 1;
            let aligned = align(&samples, &patterns[0], CHIP_S, &sent, (-30.0, 30.0));
            let Some(aligned) = aligned else {
                assert!(carrier_db < 10.0, "{seed}: a strong marker was missed");
                continue;
            };
            found += 1;
            wide = wide.max(aligned.u_s);
            let off_s = (aligned.ahead_s - ahead_s).abs();
            assert!(
                off_s <= aligned.u_s,
                "{seed} {carrier_db}: {off_s} {aligned:?}"
            );
            assert!(aligned.chance < FALSE_ALARM);
            // Another pattern is not found in it.
            assert_eq!(
                align(&samples, &patterns[1], CHIP_S, &sent, (-30.0, 30.0)),
                None
            );
        }
    }
    println!("{found} of {tried} markers found; the largest uncertainty was {wide:.3} s");
    assert!(found >= tried - 6, "{found} of {tried}");
    assert!(wide < 0.2, "{wide}");
}

#[test]
fn a_watch_sees_the_marker_that_was_sent_and_when() {
    for seed in 0..60 {
        let patterns = Pattern::draw(seed % 5, 3);
        let which = (seed % 3) as usize;
        let begins_s = 5.0 + 30.0 * uniform(seed, 5);
        let sent = sent(&patterns[which], seed, begins_s);
        let samples = recorded(seed, begins_s + 20.0, 20.0, &sent, |_| 7.3);
        let mut watcher = Watcher::new(patterns, CHIP_S);
        let seen: Vec<Seen> = samples.iter().filter_map(|s| watcher.push(*s)).collect();
        assert_eq!(seen.len(), 1, "{seed}");
        assert_eq!(seen[0].pattern, which);
        let off_s = (seen[0].begins_s - begins_s - 7.3).abs();
        assert!(off_s < 0.06, "{seed}: {off_s}");
    }
}

/// The statistic itself, where it can be counted: levels of noise alone, one place each.
#[test]
fn the_stated_chance_is_that_of_noise() {
    let pattern = &Pattern::draw(3, 1)[0];
    let (mut tried, mut beyond) = (0u32, [0u32; 2]);
    for seed in 0..2000 {
        let samples = recorded(seed, CHIP_S * CHIPS as f64 + 0.1, 0.0, &[], |_| 0.0);
        let r = correlation_at(samples.iter(), pattern, CHIP_S, 0.0).expect("whole");
        tried += 1;
        let chance = chance_of(r, CHIPS);
        beyond[0] += u32::from(chance < 0.05);
        beyond[1] += u32::from(chance < 0.01);
    }
    // Standard deviations of the counts: 10 of 100 and 4 of 20.
    assert!((65..135).contains(&beyond[0]), "{beyond:?} of {tried}");
    assert!((6..34).contains(&beyond[1]), "{beyond:?} of {tried}");
}

#[test]
fn noise_alone_is_never_taken_for_a_marker() {
    for seed in 0..40 {
        let patterns = Pattern::draw(seed % 5, 3);
        let samples = recorded(seed, 120.0, 0.0, &[], |_| 7.3);
        let sent = sent(&patterns[0], seed, 50.0);
        assert_eq!(
            align(&samples, &patterns[0], CHIP_S, &sent, (-30.0, 30.0)),
            None
        );
        let mut watcher = Watcher::new(patterns, CHIP_S);
        assert!(samples.iter().all(|s| watcher.push(*s).is_none()), "{seed}");
    }
}
