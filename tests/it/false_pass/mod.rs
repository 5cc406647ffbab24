//! Whatever goes wrong, no item passes that should not: items whose true worst point is from 6 dB below to 6 dB above
//! the limit, measured on simulated benches of which each has one fault of [`faults::FAULTS`], or none.
//!
//! A case is a number: `MUFFLE_FALSE_PASS=<first>:<cases>` plays any of them again, with the same bench, item and
//! fault. `cargo test --test it false_pass -- --ignored --nocapture` plays three thousand and prints the table.

mod faults;
mod site;

use std::collections::BTreeMap;
use std::fmt;

use futures_util::{StreamExt, stream};
use muffle::quantity::Frequency;
use muffle::sim::{Face, Item, Physics, Polarisation, Seam, true_se};
use muffle::store::Verdict;
use rand::rngs::StdRng;
use rand::{RngExt, SeedableRng};

use faults::{Act, Draw, FAULTS, Kind, Moment, NONE, Way};
use site::{Site, Template, Visit};

/// Together with a case's number, what is drawn in it.
const SEED: u64 = 0x6670_0000_0000;
/// So many cases without a fault come with one round of all faults.
const CLEAN_IN_A_ROUND: usize = 10;
/// The worst point of an item lies no further from the limit, dB.
const MARGIN_DB: f64 = 6.0;
/// By how much a seam gets worse with each decade of frequency, dB: steep, so that the worst point stands alone.
const SEAM_SLOPE_DB: f64 = 60.0;
/// Cases played at a time.
const AT_A_TIME: usize = 4;
/// Share of clean items that may pass wrongly: the guarded rule with a coverage factor of 2 allows it at the limit
/// itself (JCGM 106:2012, 8.3.2.2).
const CLEAN_FALSE_PASS_MAX: f64 = 0.025;
/// Share of clean items further than U from the limit that must be decided.
const CLEAN_DECIDED_MIN: f64 = 0.9;

pub const ITEM: &str = "F-0001";
pub const OTHER: &str = "F-0002";
pub const GOOD_UNIT: &str = "F-0003";
/// The test frequencies are drawn from these, far from each other and from the broadcast band, MHz.
const FREQUENCIES_MHZ: [f64; 12] = [
    60.0, 75.0, 120.0, 150.0, 210.0, 300.0, 420.0, 500.0, 610.0, 750.0, 860.0, 1000.0,
];

/// What became of a case.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
enum Outcome {
    TruePass,
    FalsePass,
    TrueFail,
    FalseFail,
    Inconclusive,
    Refused,
}

impl Outcome {
    const ALL: [Self; 6] = [
        Self::TruePass,
        Self::FalsePass,
        Self::TrueFail,
        Self::FalseFail,
        Self::Inconclusive,
        Self::Refused,
    ];

    fn of(verdict: Option<Verdict>, margin_db: f64) -> Self {
        match (verdict, margin_db >= 0.0) {
            (Some(Verdict::Pass), true) => Self::TruePass,
            (Some(Verdict::Pass), false) => Self::FalsePass,
            (Some(Verdict::Fail), true) => Self::FalseFail,
            (Some(Verdict::Fail), false) => Self::TrueFail,
            (Some(Verdict::Undecided) | None, _) => Self::Inconclusive,
        }
    }
}

/// What is measured in a case.
pub struct Case {
    pub number: u64,
    pub kind: &'static Kind,
    pub bench_seed: u64,
    pub limit_db: f64,
    pub frequencies_hz: Vec<f64>,
    pub item: Item,
    /// By how much the item's true worst point is above the limit, dB.
    pub margin_db: f64,
    pub settings: String,
    /// Whether the station has a power monitor.
    pub has_monitor: bool,
    acts: Vec<Act>,
    /// Readings of the item before it is stopped, where it is.
    pub stop_after: usize,
}

impl Case {
    fn new(number: u64) -> Self {
        let mut random = StdRng::seed_from_u64(SEED + number);
        let round = FAULTS.len() + CLEAN_IN_A_ROUND;
        let kind = FAULTS.get(number as usize % round).unwrap_or(&NONE);
        let count = random.random_range(5..=7);
        let mut frequencies_hz: Vec<f64> = FREQUENCIES_MHZ.iter().map(|mhz| mhz * 1e6).collect();
        while frequencies_hz.len() > count {
            // The highest stays, at which a seam is worst.
            frequencies_hz.remove(random.random_range(0..frequencies_hz.len() - 1));
        }
        let limit_db = [30.0, 40.0, 50.0, 60.0][random.random_range(0..4)];
        let aim_db = limit_db + random.random_range(-MARGIN_DB..MARGIN_DB);
        let item = item(ITEM, aim_db, random.random_bool(0.75));
        let margin_db = worst_db(&item, &frequencies_hz) - limit_db;
        let settings = settings(&mut random);
        let bench_seed = random.random();
        let stop_after = random.random_range(1..2 * count);
        let mut draw = Draw {
            random,
            frequencies_hz: frequencies_hz.clone(),
            other_item: OTHER,
        };
        let acts = (kind.acts)(&mut draw);
        let has_monitor = kind.monitor.unwrap_or_else(|| draw.random.random());
        Self {
            number,
            kind,
            bench_seed,
            limit_db,
            frequencies_hz,
            item,
            margin_db,
            settings,
            has_monitor,
            acts,
            stop_after,
        }
    }

    /// The acts of one moment or another.
    fn acts(&self, wanted: impl Fn(Moment) -> bool) -> Vec<Act> {
        let acts = self.acts.iter();
        acts.filter(|(moment, _)| wanted(*moment))
            .cloned()
            .collect()
    }

    fn plan(&self) -> String {
        self.plan_with(&self.frequencies_hz, self.limit_db)
    }

    fn plan_with(&self, frequencies_hz: &[f64], limit_db: f64) -> String {
        let list: Vec<String> = frequencies_hz
            .iter()
            .map(|hz| format!("\"{} MHz\"", hz / 1e6))
            .collect();
        format!(
            "name = \"campaign\"\nfaces = [\"front\"]\npolarisations = [\"vertical\"]\n[frequencies]\nlist = [{}]\n[settings]\n{}\n[limit]\nline = [[\"10 MHz\", \"{limit_db} dB\"], [\"2 GHz\", \"{limit_db} dB\"]]\nrule = \"guarded\"\n",
            list.join(", "),
            self.settings
        )
    }
}

fn settings(random: &mut StdRng) -> String {
    let (span, points, resolution, video) = [
        ("20 kHz", 201, "1 kHz", "3 kHz"),
        ("50 kHz", 251, "3 kHz", "10 kHz"),
        ("20 kHz", 101, "1 kHz", "1 kHz"),
    ][random.random_range(0..3)];
    let detector = ["peak", "peak", "rms", "sample"][random.random_range(0..4)];
    let sweeps = [1, 2, 4][random.random_range(0..3)];
    format!(
        "source_level = \"-10 dBm\"\nspan = \"{span}\"\npoints = {points}\nresolution_bandwidth = \"{resolution}\"\nvideo_bandwidth = \"{video}\"\nattenuation = \"10 dB\"\ndetector = \"{detector}\"\nsweeps = {sweeps}\nsettle = \"0 s\""
    )
}

/// An item with its worst point there: the same everywhere, or with a seam that is worst at the highest frequency.
fn item(serial: &str, worst_db: f64, seamed: bool) -> Item {
    let physics = match seamed {
        false => Physics {
            flat_se_db: Some(worst_db),
            ..Physics::default()
        },
        true => Physics {
            flat_se_db: Some(worst_db + 30.0),
            seams: vec![Seam {
                se_db_at_1_ghz: worst_db,
                slope_db_per_decade: SEAM_SLOPE_DB,
                face: None,
            }],
            ..Physics::default()
        },
    };
    Item {
        serial: serial.into(),
        model: String::new(),
        lot: String::new(),
        size_m: [0.0; 3],
        construction: String::new(),
        physics,
    }
}

fn worst_db(item: &Item, frequencies_hz: &[f64]) -> f64 {
    let se_db = |hz: &f64| {
        let at = Frequency::from_hz(*hz);
        true_se(item, Face::Front, Polarisation::Vertical, at).db()
    };
    frequencies_hz
        .iter()
        .map(se_db)
        .fold(f64::INFINITY, f64::min)
}

/// A case that was played.
struct Played {
    case: Case,
    outcome: Outcome,
    /// Faults that began at the bench.
    struck: u64,
    /// The largest stated U, dB.
    u_db: f64,
    words: String,
}

impl fmt::Display for Played {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let Self { case, .. } = self;
        write!(
            f,
            "case {}, {}{}: {:?}, worst point {:+.2} dB from the limit of {} dB; {}; {:?}",
            case.number,
            case.kind.name,
            if case.has_monitor { " (monitored)" } else { "" },
            self.outcome,
            case.margin_db,
            case.limit_db,
            self.words,
            case.acts
        )
    }
}

async fn play(template: &Template, number: u64) -> Played {
    let case = Case::new(number);
    let site = Site::up(&case, case.bench_seed, template.folder()).await;
    let visit = carry_out(&case, &site).await;
    let outcome = match &visit.verdict {
        Ok(verdict) => Outcome::of(*verdict, case.margin_db),
        Err(_) => Outcome::Refused,
    };
    let played = Played {
        outcome,
        struck: site.struck().await + visit.struck_elsewhere,
        u_db: visit.u_db,
        words: match visit.verdict {
            Ok(_) => visit.words,
            Err(error) => error,
        },
        case,
    };
    site.down().await;
    played
}

async fn carry_out(case: &Case, site: &Site) -> Visit {
    let later = |moment: Moment| moment != Moment::Reference;
    match case.kind.way {
        Way::Measured => site.measure(&case.plan(), case.acts(|_| true), true).await,
        Way::Reused => {
            site.reference(&case.plan()).await;
            site.plant_all(&case.acts(|it| it == Moment::Reference))
                .await;
            site.measure(&case.plan(), case.acts(later), false).await
        }
        Way::Resumed => {
            let run = site.stopped(&case.plan(), case.stop_after).await;
            site.plant_all(&case.acts(|it| it == Moment::Reference))
                .await;
            site.resume(run, case.acts(later)).await
        }
        Way::Copied => {
            site.reference(&case.plan()).await;
            let other = site.copy(case).await;
            let visit = other.measure(&case.plan(), Vec::new(), false).await;
            other.down().await;
            visit.elsewhere()
        }
        Way::ResumedElsewhere => {
            let run = site.stopped(&case.plan(), case.stop_after).await;
            let other = site.copy(case).await;
            let visit = other.resume(run, Vec::new()).await;
            other.down().await;
            visit.elsewhere()
        }
        Way::LotByOtherFrequencies => {
            let best = &case.frequencies_hz[..2];
            site.lot(case, &case.plan_with(best, case.limit_db)).await
        }
        Way::LotByOtherLimit => {
            let plan = case.plan_with(&case.frequencies_hz, case.limit_db - 15.0);
            site.lot(case, &plan).await
        }
    }
}

/// The cases of one kind.
#[derive(Debug, Default)]
struct Row {
    runs: usize,
    struck: usize,
    outcomes: BTreeMap<Outcome, usize>,
}

impl Row {
    fn count(&self, outcome: Outcome) -> usize {
        self.outcomes.get(&outcome).copied().unwrap_or(0)
    }
}

fn print(rows: &BTreeMap<&'static str, Row>) {
    println!(
        "{:<61} {:>5} {:>7} {:>9} {:>10} {:>9} {:>10} {:>12} {:>7}",
        "fault",
        "runs",
        "struck",
        "true pass",
        "false pass",
        "true fail",
        "false fail",
        "inconclusive",
        "refused"
    );
    let mut all = Row::default();
    let in_order = std::iter::once(&NONE).chain(FAULTS);
    for kind in in_order {
        let Some(row) = rows.get(kind.name) else {
            continue;
        };
        let name = match kind.unseen {
            Some(_) => format!("{} (cannot be seen)", kind.name),
            None => kind.name.to_owned(),
        };
        print_row(&name, row);
        all.runs += row.runs;
        all.struck += row.struck;
        for (outcome, count) in &row.outcomes {
            *all.outcomes.entry(*outcome).or_default() += count;
        }
    }
    print_row("all", &all);
}

fn print_row(name: &str, row: &Row) {
    let counts = Outcome::ALL.map(|outcome| row.count(outcome));
    let [
        true_pass,
        false_pass,
        true_fail,
        false_fail,
        inconclusive,
        refused,
    ] = counts;
    println!(
        "{name:<61} {:>5} {:>7} {true_pass:>9} {false_pass:>10} {true_fail:>9} {false_fail:>10} {inconclusive:>12} {refused:>7}",
        row.runs, row.struck
    );
}

fn campaign(first: u64, cases: u64) {
    let runtime = tokio::runtime::Runtime::new().expect("a runtime");
    let played: Vec<Played> = runtime.block_on(async {
        let template = Template::new().await;
        let playing = (first..first + cases).map(|number| play(&template, number));
        stream::iter(playing)
            .buffer_unordered(AT_A_TIME)
            .collect()
            .await
    });
    let mut rows: BTreeMap<&'static str, Row> = BTreeMap::new();
    for played in &played {
        let row = rows.entry(played.case.kind.name).or_default();
        row.runs += 1;
        row.struck += usize::from(played.struck > 0);
        *row.outcomes.entry(played.outcome).or_default() += 1;
    }
    print(&rows);
    let false_passes: Vec<String> = played
        .iter()
        .filter(|it| it.outcome == Outcome::FalsePass)
        .map(ToString::to_string)
        .collect();
    for line in &false_passes {
        println!("{line}");
    }
    for refused in played.iter().filter(|it| it.outcome == Outcome::Refused) {
        println!("{refused}");
    }
    check_clean(&played);
    let wrong: Vec<String> = played
        .iter()
        .filter(|it| it.outcome == Outcome::FalsePass)
        .filter(|it| it.case.kind.unseen.is_none() && !it.case.kind.is_clean())
        .map(ToString::to_string)
        .collect();
    assert!(wrong.is_empty(), "false passes: {wrong:#?}");
}

fn check_clean(played: &[Played]) {
    let clean: Vec<&Played> = played.iter().filter(|it| it.case.kind.is_clean()).collect();
    let false_pass = clean
        .iter()
        .filter(|it| it.outcome == Outcome::FalsePass)
        .count();
    let clear: Vec<&&Played> = clean
        .iter()
        .filter(|it| it.case.margin_db.abs() > it.u_db)
        .collect();
    let decided = clear
        .iter()
        .filter(|it| matches!(it.outcome, Outcome::TruePass | Outcome::TrueFail))
        .count();
    println!(
        "clean: {} runs, {false_pass} false passes; {decided} of {} further than U from the limit are decided rightly",
        clean.len(),
        clear.len()
    );
    for it in clear
        .iter()
        .filter(|it| !matches!(it.outcome, Outcome::TruePass | Outcome::TrueFail))
    {
        println!("{it}");
    }
    // In a short campaign one of them is more than the share.
    let allowed = (CLEAN_FALSE_PASS_MAX * clean.len() as f64).ceil() as usize;
    assert!(false_pass <= allowed, "{false_pass} of {}", clean.len());
    assert!(
        decided as f64 >= CLEAN_DECIDED_MIN * clear.len() as f64,
        "{decided} of {}",
        clear.len()
    );
}

#[test]
fn no_false_pass_in_the_short_campaign() {
    campaign(0, 150);
}

#[test]
#[ignore = "minutes: three thousand runs; MUFFLE_FALSE_PASS=<first>:<cases> plays others"]
fn no_false_pass_in_three_thousand_runs() {
    let asked = std::env::var("MUFFLE_FALSE_PASS").unwrap_or_else(|_| "0:3000".to_owned());
    let (first, cases) = asked.split_once(':').expect("<first>:<cases>");
    campaign(
        first.parse().expect("a number"),
        cases.parse().expect("a number"),
    );
}

/// Each fault has a name of its own; there are thirty at least.
#[test]
fn the_faults_are_many_and_named() {
    let names: std::collections::BTreeSet<_> = FAULTS.iter().map(|kind| kind.name).collect();
    assert_eq!(names.len(), FAULTS.len());
    assert!(FAULTS.iter().filter(|kind| kind.unseen.is_none()).count() >= 30);
}

/// What cannot be seen is said in the README, each in a line.
#[test]
fn the_readme_says_what_cannot_be_seen() {
    let readme = include_str!("../../../README.md");
    let words: Vec<&str> = readme.split_whitespace().collect();
    let readme = words.join(" ");
    for kind in FAULTS {
        if let Some(reason) = kind.unseen {
            assert!(readme.contains(reason), "README: {}: {reason}", kind.name);
        }
    }
}
