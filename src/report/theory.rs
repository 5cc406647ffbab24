//! A question of theory and its answer, beside what was measured where a run is named: one document for the
//! terminal, the API, the page and the report.

use serde::ser::SerializeSeq;
use serde::{Serialize, Serializer};

use super::chart::{Chart, Line, Series};
use super::graph::{Across, Graph};
use super::reason::{deciding_marks, theory_chart};
use super::run::RunDocument;
use super::{one_decimal, svg_column};
use crate::analysis::shield::Basis;
use crate::analysis::shield::ShieldError;
use crate::analysis::shield::ask::{Asked, Said, Subject};
use crate::analysis::shield::cavity::Modes;
use crate::analysis::shield::theory::{Answer, Column, Question, Row};
use crate::config::decades;
use crate::quantity::{Frequency, Length};
use crate::store::ResultKind;

/// What stands below every answer.
pub const MARK: &str = "Theory, not a measurement.";

/// The frequencies of a question that is not put beside a run.
#[derive(Debug, Clone, PartialEq)]
pub struct Over {
    /// These, if any.
    pub at: Vec<Frequency>,
    /// Else from here,
    pub from: Frequency,
    /// to here,
    pub to: Frequency,
    /// so many in each decade.
    pub per_decade: u32,
}

impl Default for Over {
    /// The usual range of the trade, three in each decade.
    fn default() -> Self {
        Self {
            at: Vec::new(),
            from: Frequency::from_hz(100e3),
            to: Frequency::from_hz(1e9),
            per_decade: 3,
        }
    }
}

impl Over {
    /// The frequencies.
    ///
    /// # Errors
    /// Where the ends are not in order.
    pub fn frequencies(&self) -> Result<Vec<Frequency>, ShieldError> {
        if !self.at.is_empty() {
            return Ok(self.at.clone());
        }
        match self.from.hz() > 0.0 && self.to > self.from {
            true => Ok(decades(self.from, self.to, self.per_decade)),
            false => Err(ShieldError::Outside {
                what: "highest frequency",
                given: self.to.to_string(),
                limit: format!(
                    "it has to be above the lowest, {}, and both above 0 Hz",
                    self.from
                ),
            }),
        }
    }
}

/// A question, its answer, and the run beside it.
#[derive(Debug, Clone, Serialize)]
pub struct TheoryDocument {
    /// What about.
    pub question: &'static str,
    /// What was given.
    #[serde(serialize_with = "inputs")]
    inputs: Vec<(&'static str, String)>,
    /// What theory says.
    #[serde(flatten)]
    pub said: Said,
    /// The run beside it.
    #[serde(skip_serializing_if = "Option::is_none")]
    measured: Option<Beside>,
    /// What this is and is not.
    mark: &'static str,
    #[serde(skip)]
    asked: Asked,
    #[serde(skip)]
    run: Option<RunDocument>,
}

#[derive(Debug, Clone, Serialize)]
struct Beside {
    run: String,
    item: Option<String>,
    points: Vec<BesidePoint>,
}

#[derive(Debug, Clone, Serialize)]
struct BesidePoint {
    frequency_hz: f64,
    kind: ResultKind,
    se_db: Option<f64>,
    u_db: Option<f64>,
}

#[derive(Serialize)]
struct GivenInput<'a> {
    key: &'a str,
    value: &'a str,
}

fn inputs<S: Serializer>(
    inputs: &[(&'static str, String)],
    serializer: S,
) -> Result<S::Ok, S::Error> {
    let mut list = serializer.serialize_seq(Some(inputs.len()))?;
    for (key, value) in inputs {
        list.serialize_element(&GivenInput { key, value })?;
    }
    list.end()
}

/// Columns and rows of an answer, as people read them; all but the last column of resonances are numbers.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct TheoryTable {
    /// Headings.
    pub heading: Vec<String>,
    /// Cells.
    pub rows: Vec<Vec<String>>,
    /// Why cells are empty.
    pub note: Option<String>,
}

impl TheoryDocument {
    /// Asks theory, at the run's own frequencies where one is put beside it.
    ///
    /// # Errors
    /// Outside the formula's validity, or where there is no frequency.
    pub fn ask(asked: Asked, over: &Over, run: Option<RunDocument>) -> Result<Self, ShieldError> {
        let frequencies = match &run {
            Some(document) => {
                let points = document.deciding().into_iter();
                points.map(|p| Frequency::from_hz(p.frequency_hz)).collect()
            }
            None => over.frequencies()?,
        };
        Ok(Self {
            question: asked.topic.word,
            inputs: asked.inputs.clone(),
            said: asked.answer(&frequencies)?,
            measured: run.as_ref().map(beside),
            mark: MARK,
            asked,
            run,
        })
    }

    /// The thing asked about.
    pub fn title(&self) -> &'static str {
        self.asked.topic.title
    }

    /// What was given, in one line.
    pub fn inputs_text(&self) -> String {
        self.asked.inputs_text()
    }

    /// The run beside it.
    pub fn run(&self) -> Option<&RunDocument> {
        self.run.as_ref()
    }

    /// Where it comes from and where it holds.
    pub fn basis(&self) -> &Basis {
        match &self.said {
            Said::Answer(answer) => &answer.basis,
            Said::Resonances(modes) => &modes.basis,
        }
    }

    /// The answer as a table.
    pub fn table(&self) -> TheoryTable {
        match &self.said {
            Said::Answer(answer) => answer_table(answer, self.run.as_ref()),
            Said::Resonances(modes) => modes_table(modes),
        }
    }

    /// The lines of theory that are SE, for a chart of somebody else's; none where the answer is no SE.
    pub fn lines(&self) -> Vec<Line> {
        let mut lines = self.chart().map_or(Vec::new(), |chart| chart.theory);
        for line in &mut lines {
            line.label = line.label.replacen("theory", self.asked.topic.word, 1);
        }
        lines
    }

    /// The answer as a picture (SVG).
    pub fn svg(&self) -> String {
        match self.chart() {
            Some(chart) => svg_column(self.title(), &[chart]),
            None => self.graph().svg(),
        }
    }

    fn heading(&self) -> String {
        match self.inputs_text() {
            inputs if inputs.is_empty() => self.title().to_owned(),
            inputs => format!("{}: {inputs}", self.title()),
        }
    }

    /// The chart, where the answer goes with SE.
    fn chart(&self) -> Option<Chart> {
        match (&self.said, &self.run) {
            (Said::Answer(answer), run) => {
                let has_se = answer.columns.iter().any(|column| column.is_se);
                has_se.then(|| theory_chart(&self.heading(), answer, run.as_ref()))
            }
            (Said::Resonances(modes), Some(run)) => Some(self.modes_beside(modes, run)),
            (Said::Resonances(_), None) => None,
        }
    }

    /// Resonances as lines right up through the measured curve.
    fn modes_beside(&self, modes: &Modes, run: &RunDocument) -> Chart {
        let points = deciding_marks(run);
        let ends = points
            .iter()
            .filter(|mark| mark.se_db.is_finite())
            .fold((0.0, 10.0), |(low, high): (f64, f64), mark| {
                (low.min(mark.se_db), high.max(mark.se_db))
            });
        let stems = modes.modes.iter().flat_map(|mode| {
            let hz = mode.loaded_hz;
            [(hz, ends.0), (hz, ends.1), (hz, f64::NAN)]
        });
        Chart {
            title: self.heading(),
            subtitle: format!("theory: {}", modes.basis.source),
            verdict: Some(format!("holds for: {}", modes.basis.validity)),
            limit: run.limit.clone(),
            series: vec![Series {
                label: format!("measured: {}", run.item.as_deref().unwrap_or("reference")),
                points,
            }],
            theory: vec![Line {
                label: "resonances, loaded".to_owned(),
                points: stems.collect(),
            }],
            footer: format!("run {}", run.run),
            ..Chart::default()
        }
    }

    /// The graph of what is no SE: distances, resonances.
    fn graph(&self) -> Graph {
        let graph = Graph {
            title: self.heading(),
            subtitle: format!("theory: {}", self.basis().source),
            verdict: Some(format!("holds for: {}", self.basis().validity)),
            across: Across::Frequencies,
            across_label: "frequency".to_owned(),
            footer: MARK.to_owned(),
            ..Graph::default()
        };
        match (&self.said, &self.asked.subject) {
            (Said::Resonances(modes), _) => Graph {
                up_label: "independent patterns at each resonance, loaded".to_owned(),
                line: modes
                    .modes
                    .iter()
                    .flat_map(|mode| {
                        let patterns = f64::from(mode.degeneracy);
                        [0.0, patterns, 0.0].map(|value| (mode.loaded_hz, value))
                    })
                    .collect(),
                ..graph
            },
            (Said::Answer(answer), Subject::Curve(Question::Boundaries { .. })) => Graph {
                up_label: "distance, m: near field below the line, far field above line and band"
                    .to_owned(),
                up_decades: true,
                line: line(answer, "reactive_m"),
                band: answer
                    .rows
                    .iter()
                    .filter_map(|row| {
                        let near = row.figures.get("reactive_m")?;
                        let far = row.figures.get("far_field_m")?;
                        Some((row.frequency_hz, near, far.max(near)))
                    })
                    .collect(),
                ..graph
            },
            (Said::Answer(answer), _) => Graph {
                up_label: "keep away, m".to_owned(),
                up_decades: true,
                line: line(answer, "keep_away_m"),
                ..graph
            },
        }
    }
}

fn beside(document: &RunDocument) -> Beside {
    let points = document.deciding().into_iter();
    Beside {
        run: document.run.clone(),
        item: document.item.clone(),
        points: points
            .map(|point| BesidePoint {
                frequency_hz: point.frequency_hz,
                kind: point.kind,
                se_db: point.se_db,
                u_db: point.u_db,
            })
            .collect(),
    }
}

/// One figure over frequency.
fn line(answer: &Answer, name: &str) -> Vec<(f64, f64)> {
    let rows = answer.rows.iter();
    rows.filter_map(|row| Some((row.frequency_hz, row.figures.get(name)?)))
        .collect()
}

fn answer_table(answer: &Answer, measured: Option<&RunDocument>) -> TheoryTable {
    let mut heading = vec!["frequency".to_owned()];
    heading.extend(
        answer
            .columns
            .iter()
            .map(|column| column.heading.to_owned()),
    );
    if measured.is_some() {
        heading.extend(["measured SE dB".to_owned(), "± dB".to_owned()]);
    }
    let points = measured.map_or(Vec::new(), RunDocument::deciding);
    let mut reasons: Vec<&str> = Vec::new();
    let mut rows = Vec::with_capacity(answer.rows.len());
    for row in &answer.rows {
        let mut cells = vec![Frequency::from_hz(row.frequency_hz).to_string()];
        cells.extend(answer.columns.iter().map(|column| figure(column, row)));
        if measured.is_some() {
            let point = points
                .iter()
                .find(|point| point.frequency_hz == row.frequency_hz);
            let or_dash = |text: Option<String>| text.unwrap_or_else(|| "–".to_owned());
            cells.push(or_dash(point.map(|point| point.se_text())));
            cells.push(or_dash(point.and_then(|point| point.u_db).map(one_decimal)));
        }
        rows.push(cells);
        if let Some(reason) = row.outside.as_deref()
            && !reasons.contains(&reason)
        {
            reasons.push(reason);
        }
    }
    let note = reasons.split_first().map(|(first, rest)| match rest.len() {
        0 => format!("–: {first}"),
        more => format!("–: {first} (and the like at {more} more)"),
    });
    TheoryTable {
        heading,
        rows,
        note,
    }
}

fn modes_table(modes: &Modes) -> TheoryTable {
    let heading = ["empty", "loaded", "width", "patterns", "half waves"];
    let row = |mode: &crate::analysis::shield::cavity::Mode| {
        let indices = mode.indices.iter();
        let indices: Vec<_> = indices.map(|[l, m, n]| format!("{l}{m}{n}")).collect();
        vec![
            hertz(mode.frequency_hz),
            hertz(mode.loaded_hz),
            hertz(mode.width_hz),
            mode.degeneracy.to_string(),
            indices.join(" "),
        ]
    };
    TheoryTable {
        heading: heading.map(str::to_owned).to_vec(),
        rows: modes.modes.iter().map(row).collect(),
        note: modes
            .modes
            .is_empty()
            .then(|| "no resonance in this range".to_owned()),
    }
}

/// A figure with the unit that its name ends in.
fn figure(column: &Column, row: &Row) -> String {
    let Some(value) = row.figures.get(column.name) else {
        return "–".to_owned();
    };
    match column.name {
        name if name.ends_with("_db") => one_decimal(value),
        name if name.ends_with("_hz") => hertz(value),
        // A field strength, not a length.
        name if name.ends_with("_per_m") => four_figures(value).to_string(),
        name if name.ends_with("_m") => metres(value),
        _ => four_figures(value).to_string(),
    }
}

fn metres(m: f64) -> String {
    match four_figures(m) {
        m if m < 1e-3 => format!("{} µm", four_figures(m * 1e6)),
        m => Length::from_m(m).to_string(),
    }
}

/// To four figures: nobody builds a box more exactly than that.
fn hertz(hz: f64) -> String {
    Frequency::from_hz(four_figures(hz)).to_string()
}

/// As many figures as a material or a cut is known to.
fn four_figures(value: f64) -> f64 {
    if value == 0.0 || !value.is_finite() {
        return value;
    }
    format!("{value:.3e}").parse().unwrap_or(value)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::analysis::shield::ask::{TOPICS, parse};

    fn told(text: &str) -> TheoryDocument {
        let asked = parse(text).expect("a question");
        TheoryDocument::ask(asked, &Over::default(), None).expect("it holds")
    }

    #[test]
    fn every_topic_has_a_table_and_a_picture() {
        for topic in &TOPICS {
            let inputs = topic
                .inputs
                .iter()
                .filter(|input| input.required || ["diameter", "ohm"].contains(&input.key));
            let text = inputs.fold(topic.word.to_owned(), |text, input| {
                format!("{text} {}='{}'", input.key, input.example)
            });
            let document = told(&text);
            let table = document.table();
            assert!(!table.rows.is_empty(), "{text}");
            for row in &table.rows {
                assert_eq!(row.len(), table.heading.len(), "{text}");
            }
            let svg = document.svg();
            assert!(svg.contains(topic.title), "{text}");
            assert!(!svg.contains("NaN"), "{text}: {svg}");
            assert!(svg.contains("<path"), "{text}");
            let json = serde_json::to_value(&document).expect("plain");
            assert_eq!(json["question"], topic.word);
            assert!(json["mark"].is_string());
        }
    }

    #[test]
    fn resonances_are_listed_with_their_shift() {
        // (c/2) sqrt((1/0.5 m)² + (1/0.4 m)²) = 479.9 MHz; an empty box with Q = 40 is 1/2Q = 1.25 % lower.
        let table = told("cavity size='30 x 40 x 50 cm'").table();
        assert_eq!(&table.rows[0][..2], ["479.9 MHz", "473.9 MHz"]);
    }

    #[test]
    fn ends_out_of_order_are_refused() {
        let over = Over {
            from: Frequency::from_hz(2e9),
            ..Over::default()
        };
        let said = over.frequencies().expect_err("falling").to_string();
        assert!(said.contains("above the lowest, 2 GHz"), "{said}");
    }
}
