//! From a measured curve to its reason: which leaks the data support, how large they are, what they cannot tell.
//!
//! Every combination of sheet, slot(s), seam and floor is fitted (see `fit`) and weighed by the Bayesian
//! information criterion. A leak is *named* only when the combinations that contain it hold 95 % of the
//! weight and its size has a lower end; one that might be there is reported as such, and one that is not needed gets an upper limit. Kinds
//! with the same shape over the measured range (a slot well below resonance, an inductive seam) are never
//! told apart here, and that is said.

use serde::Serialize;
use std::f64::consts::PI;

use super::cavity::{BoxSize, Loading, modes};
use super::curve::{CurvePoint, PointKind, checked};
use super::fit::{Fit, Model};
use super::leak::{Leak, LeakKind};
use super::shell::LARGEST_KA;
use super::{Basis, DB_PER_NEPER, LIGHT_M_PER_S, ShieldError, Z_0, positive, say};
use crate::analysis::median;
use crate::quantity::{Frequency, Length};

/// What is known of the item besides its curve.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct ItemInside {
    /// Inner dimensions.
    pub size: BoxSize,
    /// Quality factor of the closed volume with what is in it; 40 where nothing is known.
    pub quality: f64,
}

/// What the item was exposed to.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Excitation {
    /// A plane wave, or an antenna far enough away.
    PlaneWave,
    /// A magnetic (loop) field; the item as a closed shell of this radius.
    Magnetic {
        /// Radius of the sphere of equal volume.
        radius: Length,
    },
}

/// A fitted number with its 95 % interval.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Parameter {
    /// What it is, unit last.
    pub name: &'static str,
    /// Most likely value.
    pub estimate: f64,
    /// Lower end of the 95 % interval; `None` where the data set none.
    pub low_95: Option<f64>,
    /// Upper end.
    pub high_95: Option<f64>,
}

impl Parameter {
    /// Adds an independent standard uncertainty of the logarithm to each side, in quadrature.
    fn widen(&mut self, ln_u: f64) {
        /// Of a two-sided 95 % interval of a normal error.
        const K: f64 = 1.959_963_98;
        let side = |end: f64| (end / self.estimate).ln().hypot(K * ln_u).exp();
        // Behind bounds alone the most likely leak is none: the limit itself moves.
        if self.estimate > 0.0 {
            self.low_95 = self.low_95.map(|low| self.estimate / side(low));
            self.high_95 = self.high_95.map(|high| self.estimate * side(high));
        } else {
            self.high_95 = self.high_95.map(|high| high * (K * ln_u).exp());
        }
    }
}

/// A leak the data support or allow.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct NamedLeak {
    /// What it is.
    pub kind: LeakKind,
    /// Weight of all combinations that contain it.
    pub probability: f64,
    /// Whether that is enough to say so, and its size is not open towards nothing.
    pub named: bool,
    /// Its size, profile-likelihood intervals.
    pub parameters: Vec<Parameter>,
    /// Other kinds that would look the same over the measured range.
    pub same_shape: Vec<LeakKind>,
    /// The same leak read as a seam: its contact resistance (flat part), ohm, or inductance, henry.
    pub as_seam: Option<Parameter>,
    /// Frequencies between which measured points show it to be the largest leak, where they do.
    pub dominant_hz: Option<(f64, f64)>,
}

/// One combination of leaks and how it fares.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct ModelScore {
    /// The leaks in it.
    pub kinds: Vec<LeakKind>,
    /// Parameters, the scatter included.
    pub parameters: usize,
    /// Log-likelihood at its best, constants left out.
    pub log_likelihood: f64,
    /// Akaike's criterion, corrected for few points.
    pub aicc: f64,
    /// Bayesian information criterion.
    pub bic: f64,
    /// Share of belief by BIC.
    pub weight: f64,
}

/// One point beside the model.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct Residual {
    /// Frequency.
    pub frequency_hz: f64,
    /// What the model gives.
    pub fitted_db: f64,
    /// Measured less fitted; for a bound, how far the bound lies above the model (0 if it does not).
    pub residual_db: f64,
    /// Value or bound.
    pub kind: PointKind,
    /// Left out of the fit as a dip.
    pub set_aside: bool,
}

/// A dip in the curve and the cavity resonance it falls on.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct ResonantDip {
    /// Where.
    pub frequency_hz: f64,
    /// How far below the model.
    pub depth_db: f64,
    /// The nearest resonance of the closed volume.
    pub mode_hz: f64,
    /// Half-wave counts along the three sides.
    pub indices: [u32; 3],
}

/// What a curve says.
#[derive(Debug, Clone, Serialize)]
pub struct Explanation {
    /// In plain English.
    pub sentence: String,
    /// Leaks, the surest first; those with `named` false are possible only.
    pub leaks: Vec<NamedLeak>,
    /// For each kind not in the most likely combination: the largest that the data still allow (95 %).
    pub upper_limits: Vec<Parameter>,
    /// Scatter about the model beyond the stated uncertainties.
    pub scatter_db: f64,
    /// Standard uncertainty of what is wrong at all points together, dB; it widens every interval.
    pub common_db: f64,
    /// Point by point.
    pub residuals: Vec<Residual>,
    /// Dips on cavity resonances.
    pub resonant_dips: Vec<ResonantDip>,
    /// Other dips, left out of the fit but not explained.
    pub unexplained_dips_hz: Vec<f64>,
    /// Every combination tried, best first.
    pub models: Vec<ModelScore>,
    /// Source and validity.
    #[serde(flatten)]
    pub basis: Basis,
    /// The fits themselves, for the design of the next test.
    #[serde(skip)]
    pub(super) candidates: Vec<Candidate>,
    #[serde(skip)]
    pub(super) used: Vec<CurvePoint>,
}

/// A fitted combination.
#[derive(Debug, Clone)]
pub(super) struct Candidate {
    pub model: Model,
    pub fit: Fit,
    pub weight: f64,
}

/// Weight from which a leak is named.
pub const NAMED_FROM: f64 = 0.95;
/// Weight below which a leak is not mentioned.
/// A parameter that explains nothing still keeps some 15 % at 30 points, so less than this is no sign of a leak.
const POSSIBLE_FROM: f64 = 0.3;
/// Share of the best combination's weight from which a combination widens the intervals.
const CREDIBLE: f64 = 0.01;
/// Fewer measured points than this and only bounds are stated.
pub const LEAST_MEASURED: usize = 4;
/// A dip is at least this deep and this many uncertainties.
const DIP_DB: f64 = 6.0;
const DIP_UNCERTAINTIES: f64 = 4.0;

const BASIS: Basis = Basis {
    source: "maximum likelihood with bounds as censored observations; leaks 20 lg(1 + Z_0/2Rs), 20 lg(lambda/2L), \
             Z_T growing as the root of frequency, added in power; BIC weights; profile-likelihood intervals",
    validity: "errors independent between points but for one that all share; leaks add in power (phases between them go into the scatter); \
               slots set to 0 dB from half a wavelength up; resonances of the closed volume are left out of the \
               fit, not modelled",
};

/// Explains a curve.
///
/// # Errors
/// For fewer than 4 points, points that cannot be, or a magnetic run beyond the quasi-static range.
pub fn explain(
    points: &[CurvePoint],
    inside: Option<&ItemInside>,
    excitation: Excitation,
) -> Result<Explanation, ShieldError> {
    let mut points = checked(points, LEAST_MEASURED)?;
    let highest_hz = points[points.len() - 1].frequency_hz;
    let leaks = possible_leaks(&mut points, excitation, highest_hz)?;
    let resonances = match inside {
        Some(inside) => Some(Resonances::new(inside, highest_hz)?),
        None => None,
    };
    let measured = points
        .iter()
        .filter(|point| point.kind == PointKind::Measured)
        .count();
    if measured < LEAST_MEASURED {
        return Ok(only_bounds(&points, &leaks, measured));
    }
    let mut aside = vec![false; points.len()];
    let (used, candidates) = loop {
        let used: Vec<CurvePoint> = points
            .iter()
            .zip(&aside)
            .filter(|(_, aside)| !**aside)
            .map(|(point, _)| *point)
            .collect();
        let candidates = fit_all(&combinations(&leaks), &used);
        if !set_dips_aside(&points, &candidates[0], resonances.as_ref(), &mut aside) {
            break (used, candidates);
        }
    };
    let leaks_found = name_leaks(&candidates, &used, excitation);
    let best = &candidates[0];
    let upper_limits = leaks
        .iter()
        .filter(|leak| {
            **leak != Leak::Slots && best.model.leaks.iter().all(|l| l.kind() != leak.kind())
        })
        .filter_map(|leak| upper_limit(*leak, best, &used))
        .collect();
    let residuals = residuals(&points, best, &aside);
    let (resonant_dips, unexplained_dips_hz) = sort_dips(&residuals, resonances.as_ref());
    let mut explanation = Explanation {
        sentence: String::new(),
        leaks: leaks_found,
        upper_limits,
        scatter_db: best.fit.theta[best.model.size()].exp(),
        common_db: 0.0,
        residuals,
        resonant_dips,
        unexplained_dips_hz,
        models: candidates
            .iter()
            .map(|candidate| score(candidate, used.len()))
            .collect(),
        basis: BASIS,
        candidates,
        used,
    };
    explanation.sentence = say::explanation(&explanation);
    Ok(explanation)
}

impl Explanation {
    /// The same with intervals widened by an error of this standard uncertainty that all points share, such as one
    /// closing or a drifted source: the scatter about the model cannot show it. It moves the whole curve, and with
    /// it the amplitude that every leak lets through.
    pub fn with_common_error(mut self, common_db: f64) -> Self {
        self.common_db = common_db;
        let nepers = common_db / DB_PER_NEPER;
        for leak in &mut self.leaks {
            for (i, parameter) in leak.parameters.iter_mut().enumerate() {
                // The second parameter of slots is their number, which adds in power.
                parameter.widen(if i == 0 { nepers } else { 2.0 * nepers });
            }
            if let Some(parameter) = &mut leak.as_seam {
                parameter.widen(nepers);
            }
        }
        for parameter in &mut self.upper_limits {
            parameter.widen(nepers);
        }
        self.sentence = say::explanation(&self);
        self
    }

    /// The most likely model's SE in dB at a frequency, without resonances and without the set-up's floor.
    pub fn se_db_at(&self, frequency: Frequency) -> Option<f64> {
        let best = self.candidates.first()?;
        let leaks = best.model.placed().filter(|(leak, _)| *leak != Leak::Floor);
        let total: f64 = leaks
            .map(|(leak, at)| leak.power(&best.fit.theta[at..], frequency.hz(), 0.0).0)
            .sum();
        (total > 0.0).then(|| -10.0 * total.log10())
    }

    /// The usual stated standard uncertainty of a point, where the points scatter about the best model by more than
    /// twice as much: then no model fits.
    pub fn unfitted(&self) -> Option<f64> {
        let typical_db = median(self.used.iter().map(|point| point.u_db))?;
        (self.scatter_db > 2.0 * typical_db).then_some(typical_db)
    }

    /// The kinds of leak that are named.
    pub fn named(&self) -> impl Iterator<Item = &NamedLeak> {
        self.leaks.iter().filter(|leak| leak.named)
    }
}

/// The leaks that can be fitted at all; fills in a bound's dynamic range where it is the bound itself.
fn possible_leaks(
    points: &mut [CurvePoint],
    excitation: Excitation,
    highest_hz: f64,
) -> Result<Vec<Leak>, ShieldError> {
    let mut leaks = match excitation {
        Excitation::PlaneWave => vec![Leak::Sheet, Leak::Slot, Leak::Slots, Leak::Seam],
        Excitation::Magnetic { radius } => {
            let radius_m = positive("radius", radius.m())?;
            let ka = 2.0 * PI * highest_hz / LIGHT_M_PER_S * radius_m;
            if ka > LARGEST_KA {
                return Err(ShieldError::Outside {
                    what: "radius",
                    given: format!("{radius} ({ka:.3} lambda/2pi at the highest frequency)"),
                    limit: format!(
                        "magnetic runs up to {LARGEST_KA} lambda/2pi; explain the rest as a plane wave"
                    ),
                });
            }
            vec![Leak::Shell { radius_m }]
        }
    };
    for point in points
        .iter_mut()
        .filter(|point| point.kind == PointKind::AtLeast)
    {
        point.dynamic_range_db = point.dynamic_range_db.or(Some(point.se_db));
    }
    if points.iter().all(|point| point.dynamic_range_db.is_some()) {
        leaks.push(Leak::Floor);
    }
    Ok(leaks)
}

/// Every combination with at most one entry of each kind, powers added.
fn combinations(leaks: &[Leak]) -> Vec<Model> {
    (1u32..1 << leaks.len())
        .map(|bits| {
            (0..leaks.len())
                .filter(|i| bits >> i & 1 == 1)
                .map(|i| leaks[i])
                .collect()
        })
        .filter(|chosen: &Vec<Leak>| {
            !(chosen.contains(&Leak::Slot) && chosen.contains(&Leak::Slots))
        })
        .map(Model::incoherent)
        .collect()
}

/// The same leaks with a fixed phase between them, reinforcing and cancelling.
fn with_phase(model: &Model) -> impl Iterator<Item = Model> + '_ {
    let with_phase = model
        .leaks
        .iter()
        .filter(|leak| **leak != Leak::Floor)
        .count();
    let phases: &[f64] = match with_phase {
        0 | 1 => &[],
        2 => &[0.7, -0.7],
        // Three cannot all oppose each other.
        _ => &[0.7, -0.4],
    };
    phases.iter().map(|&coherence| Model {
        leaks: model.leaks.clone(),
        coherence,
    })
}

/// Parameters of a model: of its leaks, the scatter, and the phase where it is not left open.
fn parameters(model: &Model) -> usize {
    model.size() + 1 + usize::from(model.coherence != 0.0)
}

fn bic(model: &Model, log_likelihood: f64, points: usize) -> f64 {
    parameters(model) as f64 * (points as f64).ln() - 2.0 * log_likelihood
}

/// Fits all combinations; best first, weights summing to 1.
fn fit_all(models: &[Model], data: &[CurvePoint]) -> Vec<Candidate> {
    /// Combinations worth trying with a phase, if they have two leaks at least.
    const PHASED: usize = 6;
    let of =
        |candidate: &Candidate| bic(&candidate.model, candidate.fit.log_likelihood, data.len());
    let by_bic = |a: &Candidate, b: &Candidate| of(a).total_cmp(&of(b));
    let candidate = |model: Model, fit: Fit| Candidate {
        model,
        fit,
        weight: 0.0,
    };
    let mut candidates: Vec<Candidate> = models
        .iter()
        .map(|model| candidate(model.clone(), model.best(data)))
        .collect();
    candidates.sort_by(by_bic);
    let several = |c: &&Candidate| with_phase(&c.model).next().is_some();
    let phased: Vec<Candidate> = candidates
        .iter()
        .filter(several)
        .take(PHASED)
        .flat_map(|plain| {
            with_phase(&plain.model).map(|model| {
                let fit = model.climb(&plain.fit.theta, data, None);
                candidate(model, fit)
            })
        })
        .collect();
    candidates.extend(phased);
    candidates.retain(|candidate| count_is_seen(candidate, data));
    candidates.sort_by(by_bic);
    let least = of(&candidates[0]);
    let mut sum = 0.0;
    for candidate in &mut candidates {
        candidate.weight = (-0.5 * (of(candidate) - least)).exp();
        sum += candidate.weight;
    }
    for candidate in &mut candidates {
        candidate.weight /= sum;
    }
    candidates
}

/// Below its resonance a slot's length and count are one number: such a combination says nothing of its own.
fn count_is_seen(candidate: &Candidate, data: &[CurvePoint]) -> bool {
    let highest_hz = data.last().map_or(0.0, |point| point.frequency_hz);
    let mut slots = candidate
        .model
        .placed()
        .filter(|(leak, _)| *leak == Leak::Slots);
    slots.all(|(_, at)| knee_hz(candidate.fit.theta[at]) < highest_hz)
}

/// Where a slot is half a wavelength long.
fn knee_hz(ln_length: f64) -> f64 {
    LIGHT_M_PER_S / 2.0 * (-ln_length).exp()
}

fn score(candidate: &Candidate, points: usize) -> ModelScore {
    let k = parameters(&candidate.model) as f64;
    let n = points as f64;
    let log_likelihood = candidate.fit.log_likelihood;
    let room = n - k - 1.0;
    ModelScore {
        kinds: candidate
            .model
            .leaks
            .iter()
            .map(|leak| leak.kind())
            .collect(),
        parameters: parameters(&candidate.model),
        log_likelihood,
        aicc: match room > 0.0 {
            true => 2.0 * k - 2.0 * log_likelihood + 2.0 * k * (k + 1.0) / room,
            false => f64::INFINITY,
        },
        bic: bic(&candidate.model, log_likelihood, points),
        weight: candidate.weight,
    }
}

/// How far the log-likelihood falls to the ends of a 95 % interval: Student's t where scatter is estimated
/// from few points, χ² in the limit.
fn drop_95(points: usize, parameters: usize) -> f64 {
    let freedom = points.saturating_sub(parameters).max(1) as f64;
    let n = points as f64;
    let t = student_t_975(freedom);
    (0.5 * n * (t * t / freedom).ln_1p()).max(0.5 * 3.841_458_8)
}

fn student_t_975(freedom: f64) -> f64 {
    use statrs::distribution::{ContinuousCDF, StudentsT};
    StudentsT::new(0.0, 1.0, freedom).map_or(1.959_963_98, |t| t.inverse_cdf(0.975))
}

/// The leaks by weight, each with its size from the most likely combination that has it.
fn name_leaks(
    candidates: &[Candidate],
    data: &[CurvePoint],
    excitation: Excitation,
) -> Vec<NamedLeak> {
    let mut found: Vec<NamedLeak> = Vec::new();
    for kind in [
        LeakKind::Sheet,
        LeakKind::Slot,
        LeakKind::Seam,
        LeakKind::Floor,
    ] {
        let has =
            |candidate: &&Candidate| candidate.model.leaks.iter().any(|leak| leak.kind() == kind);
        let probability: f64 = candidates
            .iter()
            .filter(has)
            .map(|candidate| candidate.weight)
            .sum();
        if probability < POSSIBLE_FROM {
            continue;
        }
        let Some(candidate) = candidates.iter().find(has) else {
            continue;
        };
        let Some((leak, at)) = candidate
            .model
            .placed()
            .find(|(leak, _)| leak.kind() == kind)
        else {
            continue;
        };
        let parameters: Vec<Parameter> = (0..leak.parameters().len())
            .map(|i| interval(leak, i, candidates, candidate, data))
            .collect();
        found.push(NamedLeak {
            kind,
            probability,
            // A leak that may as well be nothing is not one to name.
            named: probability >= NAMED_FROM && parameters[0].low_95.is_some(),
            same_shape: same_shape(leak, &candidate.fit.theta[at..], data, excitation),
            as_seam: as_seam(leak, &parameters),
            parameters,
            dominant_hz: dominant_hz(candidates, kind, data),
        });
    }
    found.sort_by(|a, b| b.probability.total_cmp(&a.probability));
    found
}

/// The 95 % interval of parameter `i` of a leak: everything that some combination with a share of belief
/// holds possible, since which combination is right is part of what is not known.
fn interval(
    leak: Leak,
    i: usize,
    candidates: &[Candidate],
    best: &Candidate,
    data: &[CurvePoint],
) -> Parameter {
    let mut estimate = f64::NAN;
    // Ends as logarithms; an open end stays open.
    let mut ends = [Some(f64::INFINITY), Some(f64::NEG_INFINITY)];
    for candidate in candidates
        .iter()
        .filter(|c| c.weight >= CREDIBLE * best.weight)
    {
        let Candidate { model, fit, .. } = candidate;
        let Some((_, first)) = model.placed().find(|(other, _)| *other == leak) else {
            continue;
        };
        let at = first + i;
        if estimate.is_nan() {
            estimate = fit.theta[at].exp();
        }
        let drop = drop_95(data.len(), model.size() + 1);
        for (end, side) in ends.iter_mut().zip([-1.0, 1.0]) {
            let Some(now) = *end else { continue };
            let beyond = side * (fit.theta[at] - now) >= 0.0;
            if beyond || model.reaches(fit, at, now, drop, data) {
                let next = model.profile_end(fit, at, side, drop, data);
                *end = next.map(|next| {
                    if side < 0.0 {
                        next.min(now)
                    } else {
                        next.max(now)
                    }
                });
            }
        }
    }
    let [low, high] = ends.map(|end| end.map(f64::exp));
    Parameter {
        name: leak.parameters()[i],
        estimate,
        low_95: low,
        high_95: high,
    }
}

/// Kinds that would give the same curve over the measured range.
fn same_shape(
    leak: Leak,
    theta: &[f64],
    data: &[CurvePoint],
    excitation: Excitation,
) -> Vec<LeakKind> {
    let highest_hz = data.last().map_or(0.0, |point| point.frequency_hz);
    let knee_seen = highest_hz >= knee_hz(theta[0]);
    match leak {
        Leak::Sheet if excitation == Excitation::PlaneWave => {
            let floor_is_known = data.iter().all(|point| point.dynamic_range_db.is_some());
            match floor_is_known {
                true => vec![LeakKind::Seam],
                false => vec![LeakKind::Seam, LeakKind::Floor],
            }
        }
        Leak::Slot | Leak::Slots if !knee_seen => vec![LeakKind::Seam],
        _ => Vec::new(),
    }
}

/// A sheet or a slot read as a seam's contact resistance or inductance (SE = Z₀/|R + jωL|).
fn as_seam(leak: Leak, parameters: &[Parameter]) -> Option<Parameter> {
    let convert = |name, by: &dyn Fn(f64) -> f64| {
        parameters.first().map(|p| Parameter {
            name,
            estimate: by(p.estimate),
            low_95: p.low_95.map(by),
            high_95: p.high_95.map(by),
        })
    };
    match leak {
        Leak::Sheet => convert("seam_contact_ohm", &|rs| Z_0 / (1.0 + Z_0 / (2.0 * rs))),
        // 2fL/c = 2πf·M/Z₀.
        Leak::Slot => convert("seam_inductance_h", &|l| Z_0 * l / (PI * LIGHT_M_PER_S)),
        _ => None,
    }
}

/// The longest run of measured points at which this kind lets more through than every other leak, in every credible
/// combination: bounds decide nothing, and where the combinations disagree neither do the points.
fn dominant_hz(
    candidates: &[Candidate],
    kind: LeakKind,
    data: &[CurvePoint],
) -> Option<(f64, f64)> {
    let least_weight = CREDIBLE * candidates.first()?.weight;
    let credible = || candidates.iter().filter(|one| one.weight >= least_weight);
    let measured: Vec<&CurvePoint> = data
        .iter()
        .filter(|point| point.kind == PointKind::Measured)
        .collect();
    measured
        .chunk_by(|a, b| {
            let decided = |point| credible().all(|one| largest(one, point) == Some(kind));
            decided(a) == decided(b)
        })
        .filter(|run| credible().all(|one| largest(one, run[0]) == Some(kind)))
        .max_by_key(|run| run.len())
        .map(|run| (run[0].frequency_hz, run[run.len() - 1].frequency_hz))
}

/// The leak that lets most through at a point.
fn largest(candidate: &Candidate, point: &CurvePoint) -> Option<LeakKind> {
    let range_db = point.dynamic_range_db.unwrap_or(0.0);
    candidate
        .model
        .placed()
        .map(|(leak, at)| {
            let theta = &candidate.fit.theta[at..];
            (
                leak.power(theta, point.frequency_hz, range_db).0,
                leak.kind(),
            )
        })
        .max_by(|a, b| a.0.total_cmp(&b.0))
        .map(|(_, kind)| kind)
}

/// The largest size of a leak that the data still allow beside the best combination (one-sided 95 %).
fn upper_limit(leak: Leak, best: &Candidate, data: &[CurvePoint]) -> Option<Parameter> {
    let mut leaks = best.model.leaks.clone();
    leaks.push(leak);
    let model = Model {
        leaks,
        coherence: best.model.coherence,
    };
    let at = best.model.size();
    let fit = model.best(data);
    let high = model.profile_end(&fit, at, 1.0, 0.5 * 2.705_543_5, data)?;
    let name = leak.parameters()[0];
    Some(Parameter {
        name,
        estimate: fit.theta[at].exp(),
        low_95: None,
        high_95: Some(high.exp()),
    })
}

/// Nothing but bounds: no leak can be named, each kind gets its upper limit alone.
fn only_bounds(points: &[CurvePoint], leaks: &[Leak], measured: usize) -> Explanation {
    let limits = leaks
        .iter()
        .filter(|leak| !matches!(leak, Leak::Slots | Leak::Floor));
    let upper_limits: Vec<Parameter> = limits
        .filter_map(|leak| {
            let model = Model::incoherent(vec![*leak]);
            // The smallest leak fits bounds perfectly; stated uncertainties alone, as no scatter can be seen.
            let mut theta: Vec<f64> = vec![leak.range(0).0];
            theta.push(model.range(1).0);
            let held = model.profile(
                &Fit {
                    theta,
                    log_likelihood: 0.0,
                },
                0,
                leak.range(0).0,
                points,
            );
            let high = model.profile_end(&held, 0, 1.0, 0.5 * 2.705_543_5, points)?;
            let name = leak.parameters()[0];
            Some(Parameter {
                name,
                // The most likely leak behind bounds alone is none.
                estimate: 0.0,
                low_95: None,
                high_95: Some(high.exp()),
            })
        })
        .collect();
    let mut explanation = Explanation {
        sentence: String::new(),
        leaks: Vec::new(),
        upper_limits,
        scatter_db: 0.0,
        common_db: 0.0,
        residuals: Vec::new(),
        resonant_dips: Vec::new(),
        unexplained_dips_hz: Vec::new(),
        models: Vec::new(),
        basis: BASIS,
        candidates: Vec::new(),
        used: points.to_vec(),
    };
    explanation.sentence = say::bounds_only(&explanation, measured);
    explanation
}

fn residuals(points: &[CurvePoint], best: &Candidate, aside: &[bool]) -> Vec<Residual> {
    let one = |(point, aside): (&CurvePoint, &bool)| {
        let range_db = point.dynamic_range_db.unwrap_or(0.0);
        let fitted_db = best
            .model
            .se_db(&best.fit.theta, point.frequency_hz, range_db)
            .0;
        let over_db = point.se_db - fitted_db;
        Residual {
            frequency_hz: point.frequency_hz,
            fitted_db,
            residual_db: match point.kind {
                PointKind::Measured => over_db,
                PointKind::AtLeast => over_db.max(0.0),
            },
            kind: point.kind,
            set_aside: *aside,
        }
    };
    points.iter().zip(aside).map(one).collect()
}

/// The resonances of the closed volume and how near is near.
struct Resonances {
    /// Frequency, half width of the window, indices.
    modes: Vec<(f64, f64, [u32; 3])>,
    listed_to_hz: f64,
}

impl Resonances {
    fn new(inside: &ItemInside, highest_hz: f64) -> Result<Self, ShieldError> {
        /// Half-waves along the longest side beyond which resonances are a crowd.
        const MOST_ALONG: f64 = 12.0;
        let BoxSize { a, b, c } = inside.size;
        let longest_m = positive("inner dimension", a.m().max(b.m()).max(c.m()))?;
        let listed_to_hz = (1.05 * highest_hz).min(MOST_ALONG * LIGHT_M_PER_S / 2.0 / longest_m);
        let loading = Loading::empty(inside.quality);
        let found = modes(inside.size, loading, Frequency::from_hz(listed_to_hz))?;
        // Antenna and contents move the modes by a few percent (common practice, no source).
        let window = |f_hz: f64| f_hz * (1.0 / inside.quality).max(0.025);
        Ok(Self {
            listed_to_hz,
            modes: found
                .modes
                .iter()
                .map(|mode| (mode.loaded_hz, window(mode.loaded_hz), mode.indices[0]))
                .collect(),
        })
    }

    /// The resonance a frequency falls on.
    fn at(&self, f_hz: f64) -> Option<(f64, [u32; 3])> {
        self.modes
            .iter()
            .filter(|(mode_hz, window_hz, _)| (mode_hz - f_hz).abs() <= *window_hz)
            .min_by(|a, b| (a.0 - f_hz).abs().total_cmp(&(b.0 - f_hz).abs()))
            .map(|(mode_hz, _, indices)| (*mode_hz, *indices))
    }

    /// Whether windows leave so little room that any frequency would fall on a resonance.
    fn crowded(&self, f_hz: f64) -> bool {
        let near = self
            .modes
            .iter()
            .filter(|(mode_hz, ..)| (mode_hz / f_hz - 1.0).abs() < 0.1);
        near.map(|(_, window_hz, _)| 2.0 * window_hz).sum::<f64>() > 0.5 * 0.2 * f_hz
            || f_hz > self.listed_to_hz
    }
}

/// Marks new dips; false when there are none. Without resonances only a few single points may go.
fn set_dips_aside(
    points: &[CurvePoint],
    best: &Candidate,
    resonances: Option<&Resonances>,
    aside: &mut [bool],
) -> bool {
    let deep = |(point, residual): (&CurvePoint, &Residual)| {
        point.kind == PointKind::Measured
            && -residual.residual_db > DIP_DB.max(DIP_UNCERTAINTIES * point.u_db)
    };
    let residuals = residuals(points, best, aside);
    let on_mode = |f_hz: f64| resonances.is_some_and(|r| !r.crowded(f_hz) && r.at(f_hz).is_some());
    let mut budget = (points.len() / 10).saturating_sub(aside.iter().filter(|a| **a).count());
    let mut changed = false;
    let mut order: Vec<usize> = (0..points.len()).collect();
    order.sort_by(|a, b| {
        residuals[*a]
            .residual_db
            .total_cmp(&residuals[*b].residual_db)
    });
    for i in order {
        if aside[i] || !deep((&points[i], &residuals[i])) {
            continue;
        }
        let allowed = on_mode(points[i].frequency_hz) || budget > 0;
        if allowed && aside.iter().filter(|a| **a).count() * 3 < points.len() {
            aside[i] = true;
            changed = true;
            budget = budget.saturating_sub(1);
        }
    }
    changed
}

fn sort_dips(
    residuals: &[Residual],
    resonances: Option<&Resonances>,
) -> (Vec<ResonantDip>, Vec<f64>) {
    let (mut resonant, mut unexplained) = (Vec::new(), Vec::new());
    for dip in residuals.iter().filter(|residual| residual.set_aside) {
        let f_hz = dip.frequency_hz;
        match resonances
            .filter(|r| !r.crowded(f_hz))
            .and_then(|r| r.at(f_hz))
        {
            Some((mode_hz, indices)) => resonant.push(ResonantDip {
                frequency_hz: f_hz,
                depth_db: -dip.residual_db,
                mode_hz,
                indices,
            }),
            None => unexplained.push(f_hz),
        }
    }
    (resonant, unexplained)
}
