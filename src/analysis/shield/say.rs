//! An explanation in plain English.

use super::explain::{Explanation, LEAST_MEASURED, NamedLeak, Parameter};
use super::leak::LeakKind;
use crate::quantity::{Frequency, decimals};

/// The sentence for an explained curve.
pub(super) fn explanation(e: &Explanation) -> String {
    let unfitted = e.unfitted();
    let mut parts = Vec::new();
    if let Some(typical_db) = unfitted {
        parts.push(format!(
            "No model of sheet, slot and seam fits: the points scatter {:.1} dB about the best one, more than their \
             uncertainty of {typical_db:.1} dB.",
            e.scatter_db
        ));
    }
    let mut named: Vec<&NamedLeak> = e.named().collect();
    named.sort_by(|a, b| from_hz(a).total_cmp(&from_hz(b)));
    match named.is_empty() {
        true => parts.push("The data cannot tell what kind of leak this is.".to_owned()),
        false => {
            let each: Vec<String> = named.iter().map(|leak| describe(leak)).collect();
            let how = if unfitted.is_some() {
                "The nearest is"
            } else {
                "Consistent with"
            };
            parts.push(format!("{how} {}.", each.join(", and ")));
        }
    }
    let possible: Vec<String> = e
        .leaks
        .iter()
        .filter(|leak| !leak.named)
        .map(|leak| format!("{} ({:.0} %)", a_kind(leak.kind), 100.0 * leak.probability))
        .collect();
    if !possible.is_empty() {
        let also = if named.is_empty() {
            "It may be"
        } else {
            "The data cannot tell whether there is also"
        };
        parts.push(format!("{also} {}.", possible.join(" or ")));
    }
    parts.extend(named.iter().filter_map(|leak| same_shape(leak)));
    parts.extend(e.upper_limits.iter().filter_map(limit));
    parts.extend(dips(e));
    parts.join(" ")
}

/// The sentence where nearly everything is a bound.
pub(super) fn bounds_only(e: &Explanation, measured: usize) -> String {
    let limits: Vec<String> = e.upper_limits.iter().filter_map(limit).collect();
    format!(
        "The data cannot tell where it leaks: {measured} measured points, {LEAST_MEASURED} needed, the rest are \
         bounds. {}",
        limits.join(" ")
    )
}

fn from_hz(leak: &NamedLeak) -> f64 {
    leak.dominant_hz.map_or(f64::INFINITY, |(low, _)| low)
}

fn describe(leak: &NamedLeak) -> String {
    let size = leak.parameters.first().map(size).unwrap_or_default();
    let count = leak.parameters.get(1).map_or(1.0, |p| p.estimate);
    let what = match leak.kind {
        LeakKind::Sheet => format!("a sheet of {size}"),
        LeakKind::Slot if count > 1.5 => format!("about {count:.0} slots of {size}"),
        LeakKind::Slot if count < 0.67 => {
            format!(
                "a slot of {size} that passes {:.0} dB less than an open one",
                -10.0 * count.log10()
            )
        }
        LeakKind::Slot => format!("a slot of {size}"),
        LeakKind::Seam => format!("a seam of {size}"),
        LeakKind::Floor => "the floor of the set-up (not the item)".to_owned(),
    };
    match leak.dominant_hz {
        Some((low, high)) if low < high => {
            format!(
                "{what}, the main leak from {} to {}",
                hertz(low),
                hertz(high)
            )
        }
        Some((at, _)) => format!("{what}, the main leak at {}", hertz(at)),
        None => format!("{what}, at no measured point surely the main leak"),
    }
}

fn a_kind(kind: LeakKind) -> String {
    let article = if kind == LeakKind::Floor { "the" } else { "a" };
    format!("{article} {}", kind.word())
}

fn same_shape(leak: &NamedLeak) -> Option<String> {
    let others: Vec<String> = leak.same_shape.iter().map(|kind| a_kind(*kind)).collect();
    let size = match &leak.as_seam {
        Some(p) if leak.same_shape.contains(&LeakKind::Seam) => {
            format!(" (as a seam: {})", size(p))
        }
        _ => String::new(),
    };
    (!others.is_empty()).then(|| {
        let (word, others) = (leak.kind.word(), others.join(" or "));
        format!("The data cannot tell this {word} from {others} of the same level{size}.")
    })
}

fn limit(p: &Parameter) -> Option<String> {
    let high = p.high_95?;
    let at_most = |kind: &str| {
        let bare = Parameter {
            estimate: high,
            low_95: None,
            high_95: None,
            ..p.clone()
        };
        format!("{kind} of at most {} (95 %).", bare_size(&bare))
    };
    match p.name {
        "slot_length_m" => Some(at_most("If there is a slot, it is one")),
        "seam_transfer_ohm_at_1_ghz" => Some(at_most("If there is a lossy seam, it is one")),
        "sheet_resistance_ohm" => Some(at_most("The sheet is one")),
        _ => None,
    }
}

fn dips(e: &Explanation) -> Vec<String> {
    let mut said: Vec<String> = e
        .resonant_dips
        .iter()
        .map(|dip| {
            format!(
                "At {} a dip of {:.0} dB falls on a resonance of the closed volume ({}, mode {} {} {}).",
                hertz(dip.frequency_hz),
                dip.depth_db,
                hertz(dip.mode_hz),
                dip.indices[0],
                dip.indices[1],
                dip.indices[2]
            )
        })
        .collect();
    if !e.unexplained_dips_hz.is_empty() {
        let at: Vec<String> = e.unexplained_dips_hz.iter().map(|f| hertz(*f)).collect();
        said.push(format!(
            "Left out of the fit, not explained: dips at {}.",
            at.join(", ")
        ));
    }
    said
}

/// Factor to the unit a person would use, the unit, and what follows it.
fn unit(p: &Parameter) -> (f64, &'static str) {
    match (p.name, p.estimate) {
        ("slot_length_m", l) if l < 1.0 => (1e3, "mm"),
        ("slot_length_m", _) => (1.0, "m"),
        ("sheet_resistance_ohm", r) if r < 0.1 => (1e3, "milliohm per square"),
        ("sheet_resistance_ohm", _) => (1.0, "ohm per square"),
        ("seam_transfer_ohm_at_1_ghz", r) if r < 0.1 => (1e3, "milliohm at 1 GHz"),
        ("seam_transfer_ohm_at_1_ghz", _) => (1.0, "ohm at 1 GHz"),
        ("seam_contact_ohm", r) if r < 0.1 => (1e3, "milliohm"),
        ("seam_contact_ohm", _) => (1.0, "ohm"),
        ("seam_inductance_h", _) => (1e12, "pH"),
        _ => (1.0, ""),
    }
}

fn bare_size(p: &Parameter) -> String {
    let (factor, unit) = unit(p);
    format!("{} {unit}", significant(p.estimate * factor, 2))
}

/// `18 ± 3 mm`, or `18 (15 to 24) mm` where the interval is lopsided, or one-sided where it is open.
fn size(p: &Parameter) -> String {
    let (factor, unit) = unit(p);
    let value = p.estimate * factor;
    match (p.low_95.map(|l| l * factor), p.high_95.map(|h| h * factor)) {
        (Some(low), Some(high)) => {
            let (down, up) = (value - low, high - value);
            let decimals = decimals_for(down.min(up));
            match up < 1.3 * down && down < 1.3 * up {
                true => {
                    let half = 0.5 * (up + down);
                    format!(
                        "{} ± {} {unit}",
                        rounded(value, decimals),
                        rounded(half, decimals)
                    )
                }
                false => format!(
                    "{} ({} to {}) {unit}",
                    rounded(value, decimals),
                    rounded(low, decimals),
                    rounded(high, decimals)
                ),
            }
        }
        (Some(low), None) => format!("at least {} {unit}", significant(low, 2)),
        (None, Some(high)) => format!("at most {} {unit}", significant(high, 2)),
        (None, None) => format!("{} {unit}, size unknown", significant(value, 1)),
    }
}

/// Decimals (negative: tens, hundreds) that reach the first digit of an uncertainty.
fn decimals_for(uncertainty: f64) -> i32 {
    decimals(uncertainty.max(1e-12), 1).clamp(-9, 12)
}

/// A number to so many decimals, negative ones rounding to tens and hundreds.
fn rounded(value: f64, decimals: i32) -> String {
    let scale = 10f64.powi(decimals);
    format!(
        "{:.*}",
        decimals.max(0) as usize,
        (value * scale).round() / scale
    )
}

/// A number to so many significant digits, never in exponent form.
fn significant(value: f64, digits: i32) -> String {
    rounded(value, decimals(value, digits))
}

fn hertz(f_hz: f64) -> String {
    let shown: f64 = significant(f_hz, 3).parse().unwrap_or(f_hz);
    Frequency::from_hz(shown).to_string()
}

#[cfg(test)]
mod tests {
    use super::*;

    fn slot(estimate: f64, low: Option<f64>, high: Option<f64>) -> Parameter {
        Parameter {
            name: "slot_length_m",
            estimate,
            low_95: low,
            high_95: high,
        }
    }

    #[test]
    fn sizes_read_as_a_person_writes_them() {
        assert_eq!(size(&slot(0.018, Some(0.015), Some(0.0212))), "18 ± 3 mm");
        assert_eq!(
            size(&slot(0.018, Some(0.017), Some(0.026))),
            "18 (17 to 26) mm"
        );
        assert_eq!(size(&slot(0.018, None, Some(0.026))), "at most 26 mm");
        assert_eq!(
            size(&slot(0.01834, Some(0.01829), Some(0.01839))),
            "18.34 ± 0.05 mm"
        );
        assert_eq!(significant(0.000_123, 2), "0.00012");
        assert_eq!(significant(1234.0, 2), "1200");
        assert_eq!(hertz(123_456_789.0), "123 MHz");
    }
}
