//! A question of theory in words: its name and its inputs, the same for every front.
//!
//! `slot length=18mm` is a question; a terminal's options, the query of an address and a form's fields are the
//! same words in other clothes. One table says what there is to ask, and one function reads it, so that no
//! front has defaults or limits of its own.

use std::fmt;
use std::str::FromStr;

use serde::Serialize;

use super::ShieldError;
use super::aperture::Bore;
use super::cavity::{BoxSize, Loading, Modes, modes};
use super::field::Guideline;
use super::sheet::Field;
use super::shell::{Shape, Wall};
use super::stack::Layer;
use super::theory::{Answer, Question};
use crate::quantity::{Frequency, Length, sides};

/// A word that an input may be.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize)]
pub struct Choice {
    /// The word.
    pub word: &'static str,
    /// What it means.
    pub about: &'static str,
}

/// One input of a question.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize)]
pub struct Input {
    /// Its name.
    pub key: &'static str,
    /// What it is.
    pub about: &'static str,
    /// How it may be written.
    pub example: &'static str,
    /// What it is when it is left out.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub default: Option<&'static str>,
    /// Whether it has to be given.
    pub required: bool,
    /// Whether it may be given several times, in order.
    pub several: bool,
    /// The only words that it may be; empty when it is a quantity.
    #[serde(skip_serializing_if = "<[_]>::is_empty")]
    pub choices: &'static [Choice],
}

/// Something that theory can be asked about.
#[derive(Debug, Clone, Copy, Serialize)]
pub struct Topic {
    /// Its name.
    pub word: &'static str,
    /// The thing itself, as a heading.
    pub title: &'static str,
    /// What the answer says.
    pub about: &'static str,
    /// Whether it is asked at frequencies; the other has its own.
    pub at_frequencies: bool,
    /// What it needs to know.
    pub inputs: &'static [Input],
    #[serde(skip)]
    make: fn(&mut Given<'_>) -> Option<Subject>,
}

/// A question that can be answered.
#[derive(Debug, Clone, PartialEq)]
pub enum Subject {
    /// Figures over frequency.
    Curve(Question),
    /// The resonances of a closed box.
    Resonances {
        /// Its inside.
        size: BoxSize,
        /// What is in it.
        loading: Loading,
        /// How far up.
        up_to: Frequency,
    },
}

/// A topic with its inputs.
#[derive(Debug, Clone)]
pub struct Asked {
    /// What about.
    pub topic: &'static Topic,
    /// Each input as it was written, defaults among them, in the topic's order.
    pub inputs: Vec<(&'static str, String)>,
    /// The question that they make.
    pub subject: Subject,
}

/// What theory says.
#[derive(Debug, Clone, PartialEq, Serialize)]
#[serde(rename_all = "snake_case")]
pub enum Said {
    /// Figures over frequency.
    Answer(Answer),
    /// Resonances.
    Resonances(Modes),
}

/// A question that cannot be asked like that; every fault of it.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
pub struct AskError {
    about: String,
    faults: Vec<String>,
}

impl fmt::Display for AskError {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "{}: {}", self.about, self.faults.join("; "))
    }
}

const fn input(key: &'static str, about: &'static str, example: &'static str) -> Input {
    Input {
        key,
        about,
        example,
        default: None,
        required: true,
        several: false,
        choices: &[],
    }
}

impl Input {
    const fn or(self, default: &'static str) -> Self {
        Self {
            default: Some(default),
            required: false,
            ..self
        }
    }

    const fn optional(self) -> Self {
        Self {
            required: false,
            ..self
        }
    }

    const fn of(self, choices: &'static [Choice]) -> Self {
        Self { choices, ..self }
    }

    const fn many(self) -> Self {
        Self {
            several: true,
            ..self
        }
    }
}

const fn choice(word: &'static str, about: &'static str) -> Choice {
    Choice { word, about }
}

const ELECTRIC: Input = input(
    "electric",
    "The field of a short electric dipole at this distance, instead of a plane wave",
    "0.5 m",
)
.optional();
const MAGNETIC: Input = input(
    "magnetic",
    "The field of a small loop at this distance, instead of a plane wave",
    "0.5 m",
)
.optional();
const MATERIAL: Input = input(
    "material",
    "`copper`, `aluminium`, `steel`, or conductivity in S/m and relative permeability",
    "5.8e6,1000",
);
const SHAPES: &[Choice] = &[
    choice(
        "sphere",
        "a sphere; a box goes as the sphere of equal volume",
    ),
    choice(
        "cylinder",
        "a long cylinder, the magnetic field across its axis",
    ),
    choice(
        "plates",
        "two parallel plates, the magnetic field along them; the radius is half their distance",
    ),
];
const GUIDELINES: &[Choice] = &[
    choice("icnirp-public", "ICNIRP 2020, general public"),
    choice("icnirp-occupational", "ICNIRP 2020, occupational"),
    choice("cfr-public", "47 CFR 1.1310, general population"),
    choice("cfr-occupational", "47 CFR 1.1310, occupational"),
];

/// Everything there is to ask.
pub static TOPICS: [Topic; 13] = [
    Topic {
        word: "sheet",
        title: "A solid sheet",
        about: "A solid metal sheet: skin depth, absorption, reflection, multiple reflection, SE",
        at_frequencies: true,
        inputs: &[
            MATERIAL,
            input("thickness", "Its thickness", "18 um"),
            ELECTRIC,
            MAGNETIC,
        ],
        make: |given| {
            let (material, thickness) = (given.get("material"), given.get("thickness"));
            let field = given.field();
            Some(Subject::Curve(Question::Sheet {
                material: material?,
                thickness: thickness?,
                field: field?,
            }))
        },
    },
    Topic {
        word: "film",
        title: "A conductive film",
        about: "A thin conductive film or fabric, by its sheet resistance",
        at_frequencies: true,
        inputs: &[
            input("ohm", "Sheet resistance, ohm per square", "0.05"),
            ELECTRIC,
            MAGNETIC,
        ],
        make: |given| {
            let (ohm, field) = (given.get("ohm"), given.field());
            Some(Subject::Curve(Question::Film {
                sheet_resistance_ohm: ohm?,
                field: field?,
            }))
        },
    },
    Topic {
        word: "stack",
        title: "Layers and gaps",
        about: "Several layers with gaps; with a range of spacing, its worst and best case",
        at_frequencies: true,
        inputs: &[
            input(
                "layer",
                "From the source inwards: `copper:18um`, `film:0.1` (ohm per square), `gap:5mm`, `gap:5mm:2.1` (foam)",
                "film:0.1",
            )
            .many(),
            input(
                "shortest",
                "Shortest gap: every gap may then be anything up to the longest",
                "1 mm",
            )
            .optional(),
            input("longest", "Longest gap", "50 mm").optional(),
            ELECTRIC,
            MAGNETIC,
        ],
        make: stack,
    },
    Topic {
        word: "shell",
        title: "A small closed shell",
        about: "A closed item small against the wavelength, in magnetic and electric fields",
        at_frequencies: true,
        inputs: &[
            input(
                "ohm",
                "Sheet resistance of its wall, ohm per square; or material and thickness",
                "0.05",
            )
            .optional(),
            MATERIAL.optional(),
            input("thickness", "Thickness of a wall of that material", "0.5 mm").optional(),
            input("shape", "Shape nearest to it", "sphere")
                .of(SHAPES)
                .or("sphere"),
            input("radius", "Its radius", "10 cm"),
        ],
        make: shell,
    },
    Topic {
        word: "slot",
        title: "A slot",
        about: "A slot, by its longest dimension",
        at_frequencies: true,
        inputs: &[input("length", "Longest dimension", "18 mm")],
        make: |given| {
            let length = given.get("length")?;
            Some(Subject::Curve(Question::Slot { length }))
        },
    },
    Topic {
        word: "row",
        title: "A row of openings",
        about: "A row of equal openings",
        at_frequencies: true,
        inputs: &[
            input("count", "How many", "20"),
            input("each", "Longest dimension of each", "4 mm"),
        ],
        make: |given| {
            let (count, each) = (given.get("count"), given.get("each"));
            Some(Subject::Curve(Question::Row {
                count: count?,
                each: each?,
            }))
        },
    },
    Topic {
        word: "mesh",
        title: "A wire mesh",
        about: "A square wire mesh, bonded at the crossings",
        at_frequencies: true,
        inputs: &[
            input("spacing", "Distance of the wires", "2 mm"),
            input("wire", "Thickness of a wire", "0.2 mm"),
            input("ohm-per-m", "Resistance of a wire, ohm per metre (0: lossless)", "0.5"),
        ],
        make: |given| {
            let (spacing, wire) = (given.get("spacing"), given.get("wire"));
            let resistance = given.get("ohm-per-m");
            Some(Subject::Curve(Question::Mesh {
                spacing: spacing?,
                wire_diameter: wire?,
                wire_ohm_per_m: resistance?,
            }))
        },
    },
    Topic {
        word: "seam",
        title: "A seam",
        about: "A seam by its transfer impedance",
        at_frequencies: true,
        inputs: &[
            input("ohm", "Contact resistance, ohm", "0.001").or("0"),
            input("nanohenry", "Inductance, nanohenry", "1").or("0"),
        ],
        make: |given| {
            let (ohm, nanohenry) = (given.get("ohm"), given.get::<f64>("nanohenry"));
            Some(Subject::Curve(Question::Seam {
                contact_ohm: ohm?,
                inductance_h: nanohenry? * 1e-9,
            }))
        },
    },
    Topic {
        word: "fasteners",
        title: "A seam held at fasteners",
        about: "A seam held at fasteners, a slot between each two",
        at_frequencies: true,
        inputs: &[
            input("length", "Length of the seam", "60 cm"),
            input("spacing", "Distance of the fasteners", "40 mm"),
        ],
        make: |given| {
            let (length, spacing) = (given.get("length"), given.get("spacing"));
            Some(Subject::Curve(Question::FastenedSeam {
                length: length?,
                spacing: spacing?,
            }))
        },
    },
    Topic {
        word: "pipe",
        title: "A pipe below cut-off",
        about: "A pipe or the cells of a vent, below cut-off",
        at_frequencies: true,
        inputs: &[
            input("diameter", "Inner diameter of a round one; or side", "6 mm").optional(),
            input("side", "Longer inner side of a rectangular one", "6 mm").optional(),
            input("length", "Length along the axis", "25 mm"),
            input("count", "How many side by side", "1").or("1"),
        ],
        make: |given| {
            let (bore, length, count) = (given.bore(), given.get("length"), given.get("count"));
            Some(Subject::Curve(Question::Pipe {
                bore: bore?,
                length: length?,
                count: count?,
            }))
        },
    },
    Topic {
        word: "cavity",
        title: "Resonances of a box",
        about: "Resonances of a closed box, with the shift by what is in it",
        at_frequencies: false,
        inputs: &[
            input("size", "Inner size, three sides", "30 x 40 x 50 cm"),
            input("fill", "Share of the volume taken by contents, 0 to 1", "0.1").or("0"),
            input("permittivity", "Relative permittivity of the contents", "2").or("1"),
            input(
                "quality",
                "Quality factor of the closed box with its contents",
                "40",
            )
            .or("40"),
            input("up-to", "Up to this frequency", "1 GHz").or("1 GHz"),
        ],
        make: cavity,
    },
    Topic {
        word: "near",
        title: "Near and far",
        about: "Where the near field of a source ends and its far field begins",
        at_frequencies: true,
        inputs: &[
            input("size", "Largest dimension of the source", "0.6 m"),
            input("distance", "Distance looked from", "1 m").or("1 m"),
        ],
        make: |given| {
            let (size, distance) = (given.get("size"), given.get("distance"));
            Some(Subject::Curve(Question::Boundaries {
                source_size: size?,
                distance: distance?,
            }))
        },
    },
    Topic {
        word: "exposure",
        title: "Distance for people",
        about: "How far people stay from an antenna, by published reference levels; local rules decide",
        at_frequencies: true,
        inputs: &[
            input("power", "Power fed to the antenna", "40 dBm"),
            input("gain", "Gain of the antenna over an isotropic one", "2.15 dB").or("2.15 dB"),
            input("levels", "Whose reference levels; local rules decide", "icnirp-public")
                .of(GUIDELINES)
                .or("icnirp-public"),
        ],
        make: |given| {
            let (power, gain) = (given.get("power"), given.get("gain"));
            let guideline = match given.word("levels")? {
                "icnirp-occupational" => Guideline::Icnirp2020Occupational,
                "cfr-public" => Guideline::Cfr1310Public,
                "cfr-occupational" => Guideline::Cfr1310Occupational,
                _ => Guideline::Icnirp2020Public,
            };
            Some(Subject::Curve(Question::Exposure {
                power: power?,
                gain: gain?,
                guideline,
            }))
        },
    },
];

fn stack(given: &mut Given<'_>) -> Option<Subject> {
    let layers: Option<Vec<Layer>> = given.all("layer");
    let field = given.field();
    if !given.has("shortest") && !given.has("longest") {
        return Some(Subject::Curve(Question::Stack {
            layers: layers?,
            field: field?,
        }));
    }
    if given.has("electric") || given.has("magnetic") {
        given.fault("a range of spacing is worked out for a plane wave; leave `electric` and `magnetic` out");
    }
    let (shortest, longest) = (given.get("shortest"), given.get("longest"));
    Some(Subject::Curve(Question::Spacing {
        layers: layers?,
        shortest: shortest?,
        longest: longest?,
    }))
}

fn shell(given: &mut Given<'_>) -> Option<Subject> {
    let wall = match (
        given.has("ohm"),
        given.has("material") || given.has("thickness"),
    ) {
        (true, false) => given.get("ohm").map(|sheet_resistance_ohm| Wall::Film {
            sheet_resistance_ohm,
        }),
        (false, true) => {
            let (material, thickness) = (given.get("material"), given.get("thickness"));
            material
                .zip(thickness)
                .map(|(material, thickness)| Wall::Solid {
                    material,
                    thickness,
                })
        }
        _ => {
            given.fault("give either `ohm`, or `material` and `thickness`");
            None
        }
    };
    let shape = match given.word("shape")? {
        "cylinder" => Shape::CylinderAcross,
        "plates" => Shape::Plates,
        _ => Shape::Sphere,
    };
    let radius = given.get("radius");
    Some(Subject::Curve(Question::Shell {
        wall: wall?,
        shape,
        radius: radius?,
    }))
}

fn cavity(given: &mut Given<'_>) -> Option<Subject> {
    let size = given.text("size").map(str::to_owned);
    let size = match size.as_deref().map(|text| (text, sides(text))) {
        Some((_, Some(sides))) if sides.len() == 3 => Some(BoxSize {
            a: sides[0],
            b: sides[1],
            c: sides[2],
        }),
        Some((text, _)) => {
            given.fault(format!(
                "`size`: `{text}` is not a size of three sides; write it like `30 x 40 x 50 cm`"
            ));
            None
        }
        None => given.get::<Length>("size").and(None),
    };
    let (fill, permittivity) = (given.get("fill"), given.get("permittivity"));
    let (quality, up_to) = (given.get("quality"), given.get("up-to"));
    Some(Subject::Resonances {
        size: size?,
        loading: Loading {
            fill: fill?,
            relative_permittivity: permittivity?,
            quality: quality?,
        },
        up_to: up_to?,
    })
}

/// What was given, read input by input; every fault is kept.
struct Given<'a> {
    inputs: &'static [Input],
    pairs: Vec<(&'static str, &'a str)>,
    faults: Vec<String>,
}

impl<'a> Given<'a> {
    fn fault(&mut self, fault: impl Into<String>) {
        self.faults.push(fault.into());
    }

    fn has(&self, key: &str) -> bool {
        self.pairs.iter().any(|(given, _)| *given == key)
    }

    /// As given, or the default.
    fn text(&self, key: &str) -> Option<&str> {
        let given = self.pairs.iter().find(|(given, _)| *given == key);
        let default = || self.inputs.iter().find(|input| input.key == key)?.default;
        given.map(|(_, text)| *text).or_else(default)
    }

    fn read<T>(&mut self, key: &str, text: &str) -> Option<T>
    where
        T: FromStr<Err: fmt::Display>,
    {
        match text.trim().parse() {
            Ok(value) => Some(value),
            Err(error) => {
                self.fault(format!("`{key}`: `{text}`: {error}"));
                None
            }
        }
    }

    /// An input that has to be there, by itself or by its default.
    fn get<T>(&mut self, key: &'static str) -> Option<T>
    where
        T: FromStr<Err: fmt::Display>,
    {
        match self.text(key).map(str::to_owned) {
            Some(text) => self.read(key, &text),
            None => {
                let input = self.inputs.iter().find(|input| input.key == key);
                let example = input.map_or("", |input| input.example);
                self.fault(format!("`{key}` is missing; give it like `{example}`"));
                None
            }
        }
    }

    /// An input that may be given several times, once at least.
    fn all<T>(&mut self, key: &'static str) -> Option<Vec<T>>
    where
        T: FromStr<Err: fmt::Display>,
    {
        let texts: Vec<&'a str> = self
            .pairs
            .iter()
            .filter(|(given, _)| *given == key)
            .map(|(_, text)| *text)
            .collect();
        if texts.is_empty() {
            return self.get(key).map(|one| vec![one]);
        }
        let read: Vec<Option<T>> = texts.iter().map(|text| self.read(key, text)).collect();
        read.into_iter().collect()
    }

    /// One of the words that an input may be.
    fn word(&mut self, key: &'static str) -> Option<&'static str> {
        let input = self.inputs.iter().find(|input| input.key == key)?;
        let text = self.text(key)?.trim().to_owned();
        let known = input.choices.iter().find(|choice| choice.word == text);
        if known.is_none() {
            let words: Vec<&str> = input.choices.iter().map(|choice| choice.word).collect();
            self.fault(format!(
                "`{key}`: `{text}` is not one of {}",
                words.join(", ")
            ));
        }
        known.map(|choice| choice.word)
    }

    fn field(&mut self) -> Option<Field> {
        match (self.has("electric"), self.has("magnetic")) {
            (false, false) => Some(Field::PlaneWave),
            (true, false) => {
                let distance = self.get("electric")?;
                Some(Field::NearElectric { distance })
            }
            (false, true) => {
                let distance = self.get("magnetic")?;
                Some(Field::NearMagnetic { distance })
            }
            (true, true) => {
                self.fault("give `electric` or `magnetic`, not both");
                None
            }
        }
    }

    fn bore(&mut self) -> Option<Bore> {
        match (self.has("diameter"), self.has("side")) {
            (true, false) => {
                let diameter = self.get("diameter")?;
                Some(Bore::Round { diameter })
            }
            (false, true) => {
                let longer_side = self.get("side")?;
                Some(Bore::Rectangular { longer_side })
            }
            _ => {
                self.fault("give either `diameter` or `side`");
                None
            }
        }
    }
}

/// The topic of this name.
///
/// # Errors
/// Where there is none; it names those there are.
pub fn topic(word: &str) -> Result<&'static Topic, AskError> {
    let found = TOPICS.iter().find(|topic| topic.word == word);
    found.ok_or_else(|| {
        let words: Vec<&str> = TOPICS.iter().map(|topic| topic.word).collect();
        AskError {
            about: format!("`{word}`"),
            faults: vec![format!(
                "theory knows nothing of this name; there are {}",
                words.join(", ")
            )],
        }
    })
}

/// A question in one line: `slot length=18mm`, `stack layer=film:0.1 layer=gap:5mm layer=film:0.1`. A value with a
/// space stands in quotes, as in a shell.
///
/// # Errors
/// Where it is not one; every fault is named.
pub fn parse(text: &str) -> Result<Asked, AskError> {
    let wrong = |fault: String| AskError {
        about: format!("`{text}`"),
        faults: vec![fault],
    };
    let words = shlex::split(text).ok_or_else(|| wrong("a quote is not closed".to_owned()))?;
    let (word, inputs) = words
        .split_first()
        .ok_or_else(|| wrong("it is empty; write it like `slot length=18mm`".to_owned()))?;
    let mut given = Vec::with_capacity(inputs.len());
    for input in inputs {
        let (key, value) = input
            .split_once('=')
            .ok_or_else(|| wrong(format!("`{input}` is not like `length=18mm`")))?;
        given.push((key.to_owned(), value.to_owned()));
    }
    topic(word)?.ask(&given)
}

impl Topic {
    /// The question that these inputs make; an empty value counts as not given.
    ///
    /// # Errors
    /// For inputs that are missing, unknown, given twice or cannot be read; every fault is named.
    pub fn ask(&'static self, given: &[(String, String)]) -> Result<Asked, AskError> {
        let mut read = Given {
            inputs: self.inputs,
            pairs: Vec::with_capacity(given.len()),
            faults: Vec::new(),
        };
        for (key, text) in given.iter().filter(|(_, text)| !text.trim().is_empty()) {
            match self.inputs.iter().find(|input| input.key == key) {
                Some(input) if read.has(key) && !input.several => {
                    read.fault(format!("`{key}` is given twice"));
                }
                Some(input) => read.pairs.push((input.key, text)),
                None => {
                    let known: Vec<&str> = self.inputs.iter().map(|input| input.key).collect();
                    read.fault(format!(
                        "`{key}` is not an input; there are {}",
                        known.join(", ")
                    ));
                }
            }
        }
        let subject = (self.make)(&mut read);
        match subject {
            Some(subject) if read.faults.is_empty() => Ok(Asked {
                topic: self,
                inputs: self.inputs_of(&read),
                subject,
            }),
            _ => Err(AskError {
                about: self.word.to_owned(),
                faults: read.faults,
            }),
        }
    }

    fn inputs_of(&self, read: &Given<'_>) -> Vec<(&'static str, String)> {
        let of = |input: &Input| -> Vec<(&'static str, String)> {
            let given = read.pairs.iter().filter(|(key, _)| *key == input.key);
            let given: Vec<_> = given
                .map(|(key, text)| (*key, text.trim().to_owned()))
                .collect();
            match (given.is_empty(), input.default) {
                (true, Some(default)) => vec![(input.key, default.to_owned())],
                _ => given,
            }
        };
        self.inputs.iter().flat_map(of).collect()
    }
}

impl Asked {
    /// What theory says at these frequencies; resonances have their own.
    ///
    /// # Errors
    /// Outside the formula's validity.
    pub fn answer(&self, frequencies: &[Frequency]) -> Result<Said, ShieldError> {
        match &self.subject {
            Subject::Curve(question) => question.answer(frequencies).map(Said::Answer),
            Subject::Resonances {
                size,
                loading,
                up_to,
            } => modes(*size, *loading, *up_to).map(Said::Resonances),
        }
    }

    /// What was asked, in one line: `length 18 mm`.
    pub fn inputs_text(&self) -> String {
        let inputs = self.inputs.iter();
        let inputs: Vec<_> = inputs.map(|(key, text)| format!("{key} {text}")).collect();
        inputs.join(", ")
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::quantity::Length;

    #[test]
    fn every_example_makes_a_question_that_is_answered() {
        for topic in &TOPICS {
            let given: Vec<_> = topic
                .inputs
                .iter()
                .filter(|input| input.required || input.key == "diameter" || input.key == "ohm")
                .map(|input| (input.key.to_owned(), input.example.to_owned()))
                .collect();
            let asked = topic.ask(&given).expect(topic.word);
            asked
                .answer(&[Frequency::from_hz(100e6)])
                .expect(topic.word);
        }
    }

    #[test]
    fn a_line_is_a_question() {
        let asked = parse("slot length='18 mm'").expect("a question");
        let length = "18 mm".parse::<Length>().expect("a length");
        assert_eq!(asked.subject, Subject::Curve(Question::Slot { length }));
        assert_eq!(asked.inputs_text(), "length 18 mm");
        let asked =
            parse("stack layer=film:0.1 layer=gap:5mm layer=film:0.2 shortest=1mm longest=5cm");
        let Subject::Curve(Question::Spacing { layers, .. }) = asked.expect("a question").subject
        else {
            panic!("a range of spacing");
        };
        assert_eq!(layers.len(), 3);
        let asked = parse("exposure power=40dBm").expect("a question");
        assert_eq!(
            asked.inputs_text(),
            "power 40dBm, gain 2.15 dB, levels icnirp-public"
        );
    }

    #[test]
    fn every_fault_is_named_at_once() {
        let wrong = |text: &str, parts: &[&str]| {
            let said = parse(text).expect_err(text).to_string();
            for part in parts {
                assert!(said.contains(part), "{text}: {said}");
            }
        };
        wrong("slott length=1mm", &["`slott`", "there are sheet, film"]);
        wrong("slot", &["`length` is missing; give it like `18 mm`"]);
        wrong(
            "row count=x each=5 width=1mm",
            &[
                "`count`: `x`",
                "`each`: `5`",
                "`width` is not an input; there are count, each",
            ],
        );
        wrong("slot length=1mm length=2mm", &["`length` is given twice"]);
        wrong("slot 18mm", &["`18mm` is not like `length=18mm`"]);
        wrong("slot length='18", &["a quote is not closed"]);
        wrong("", &["it is empty"]);
        wrong("pipe length=1cm", &["either `diameter` or `side`"]);
        wrong(
            "pipe length=1cm side=1mm diameter=1mm",
            &["either `diameter` or `side`"],
        );
        wrong(
            "shell radius=1m",
            &["either `ohm`, or `material` and `thickness`"],
        );
        wrong(
            "shell radius=1m material=copper",
            &["`thickness` is missing"],
        );
        wrong(
            "shell radius=1m ohm=1 shape=egg",
            &["`egg` is not one of sphere, cylinder, plates"],
        );
        wrong("film ohm=1 electric=1m magnetic=1m", &["not both"]);
        wrong("stack layer=film:1 shortest=1mm", &["`longest` is missing"]);
        wrong(
            "stack layer=film:1 shortest=1mm longest=1m electric=1m",
            &["plane wave"],
        );
        wrong("stack layer=film", &["there is no colon"]);
        wrong("cavity size=3m", &["three sides"]);
        wrong("cavity", &["`size` is missing"]);
    }
}
