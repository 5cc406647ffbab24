//! One way to ask the theory: a question with its inputs, a row of figures for each frequency.
//!
//! Every front (terminal, API, page) asks the same questions and shows the same answer, so none of them has to
//! know which formula gives which numbers. A frequency outside a formula's validity gets no figures but the
//! reason; a question that holds at none of its frequencies is an error.

use serde::ser::SerializeMap;
use serde::{Serialize, Serializer};

use super::aperture::{self, Bore, OpeningShielding, PipeShielding, RowShielding};
use super::field::{self, Boundaries, ExposureDistance, Guideline};
use super::sheet::{self, Field, FilmShielding, Material, SheetShielding};
use super::shell::{self, Shape, ShellShielding, Wall};
use super::stack::{self, Layer, SpacingBracket, StackShielding};
use super::{Basis, ShieldError};
use crate::quantity::{Frequency, Length, Level, Ratio};

/// The most frequencies that one question may have.
pub const FREQUENCIES_MAX: usize = 100_000;

/// What is asked, without the frequencies.
#[derive(Debug, Clone, PartialEq)]
pub enum Question {
    /// A solid metal sheet, part by part.
    Sheet {
        /// The metal.
        material: Material,
        /// Its thickness.
        thickness: Length,
        /// What meets it.
        field: Field,
    },
    /// A conductive film or fabric.
    Film {
        /// Ohm per square.
        sheet_resistance_ohm: f64,
        /// What meets it.
        field: Field,
    },
    /// Layers and gaps at their stated thickness.
    Stack {
        /// From the source inwards.
        layers: Vec<Layer>,
        /// What meets them.
        field: Field,
    },
    /// Layers whose every gap may be anything in a range.
    Spacing {
        /// From the source inwards.
        layers: Vec<Layer>,
        /// Shortest gap.
        shortest: Length,
        /// Longest gap.
        longest: Length,
    },
    /// A closed item small against the wavelength.
    Shell {
        /// Its wall.
        wall: Wall,
        /// The shape nearest to it.
        shape: Shape,
        /// Its radius, or half the distance of the plates.
        radius: Length,
    },
    /// A slot by its longest dimension.
    Slot {
        /// That dimension.
        length: Length,
    },
    /// A row of equal openings.
    Row {
        /// How many.
        count: u32,
        /// Longest dimension of each.
        each: Length,
    },
    /// A square wire mesh.
    Mesh {
        /// Distance of the wires.
        spacing: Length,
        /// Thickness of a wire.
        wire_diameter: Length,
        /// Its resistance.
        wire_ohm_per_m: f64,
    },
    /// A seam by its transfer impedance.
    Seam {
        /// Contact resistance.
        contact_ohm: f64,
        /// Inductance.
        inductance_h: f64,
    },
    /// A seam held at fasteners.
    FastenedSeam {
        /// Length of the seam.
        length: Length,
        /// Distance of the fasteners.
        spacing: Length,
    },
    /// Pipes or the cells of a vent below cut-off.
    Pipe {
        /// Cross-section of one.
        bore: Bore,
        /// Length along the axis.
        length: Length,
        /// How many.
        count: u32,
    },
    /// Where near ends and far begins.
    Boundaries {
        /// Largest dimension of the source.
        source_size: Length,
        /// Distance looked from.
        distance: Length,
    },
    /// The distance people keep from an antenna.
    Exposure {
        /// Power fed to it.
        power: Level,
        /// Its gain over an isotropic one.
        gain: Ratio,
        /// Whose reference levels.
        guideline: Guideline,
    },
}

/// One column of an answer.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize)]
pub struct Column {
    /// Name for a machine, unit last.
    pub name: &'static str,
    /// Heading for a person.
    pub heading: &'static str,
    /// Whether it is a shielding effectiveness, to be drawn beside measured ones.
    pub is_se: bool,
}

/// The figures of one frequency.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Row {
    /// Frequency.
    pub frequency_hz: f64,
    /// Named figures, in the order of the columns; empty where the formula does not hold.
    #[serde(flatten)]
    pub figures: Figures,
    /// Why there are none.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub outside: Option<String>,
}

/// Named figures; a map for a machine. `None` where the source gives none at this frequency.
#[derive(Debug, Clone, Default, PartialEq)]
pub struct Figures(pub Vec<(&'static str, Option<f64>)>);

impl Figures {
    /// The figure of this name.
    pub fn get(&self, name: &str) -> Option<f64> {
        self.0.iter().find(|(at, _)| *at == name)?.1
    }
}

impl Serialize for Figures {
    fn serialize<S: Serializer>(&self, serializer: S) -> Result<S::Ok, S::Error> {
        let mut map = serializer.serialize_map(Some(self.0.len()))?;
        for (name, value) in &self.0 {
            map.serialize_entry(name, value)?;
        }
        map.end()
    }
}

/// What theory says over frequency.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Answer {
    /// What the figures are.
    pub columns: Vec<Column>,
    /// One for each frequency asked, in their order.
    pub rows: Vec<Row>,
    /// Source and validity.
    #[serde(flatten)]
    pub basis: Basis,
}

impl Answer {
    /// A column that is an SE, as (Hz, dB), where the formula holds.
    pub fn line(&self, column: &Column) -> Vec<(f64, f64)> {
        self.rows
            .iter()
            .filter_map(|row| Some((row.frequency_hz, row.figures.get(column.name)?)))
            .collect()
    }
}

const fn se(name: &'static str, heading: &'static str) -> Column {
    Column {
        name,
        heading,
        is_se: true,
    }
}

const fn other(name: &'static str, heading: &'static str) -> Column {
    Column {
        name,
        heading,
        is_se: false,
    }
}

impl Question {
    /// The columns of its answer.
    pub fn columns(&self) -> Vec<Column> {
        match self {
            Self::Sheet { .. } => vec![
                other("skin_depth_m", "skin depth"),
                other("absorption_db", "absorption dB"),
                other("reflection_db", "reflection dB"),
                other("multiple_reflection_db", "multiple reflection dB"),
                se("se_db", "SE dB"),
            ],
            Self::Film { .. } => vec![
                other("wave_impedance_ohm", "wave impedance ohm"),
                se("se_db", "SE dB"),
            ],
            Self::Stack { .. } | Self::Slot { .. } | Self::Mesh { .. } | Self::Seam { .. } => {
                vec![se("se_db", "SE dB")]
            }
            Self::Spacing { .. } => vec![
                se("worst_db", "worst dB"),
                se("best_db", "best dB"),
                other("sum_of_singles_db", "sum of singles dB"),
            ],
            Self::Shell { .. } => vec![
                se("se_magnetic_db", "magnetic dB"),
                se("se_electric_db", "electric dB"),
            ],
            Self::Row { .. } | Self::FastenedSeam { .. } => vec![
                se("one_db", "one alone dB"),
                se("se_power_sum_db", "in power dB"),
                se("se_in_phase_db", "in phase dB"),
            ],
            Self::Pipe { .. } => vec![
                other("cutoff_hz", "cut-off"),
                se("attenuation_db", "one alone dB"),
                se("array_power_sum_db", "in power dB"),
                se("array_in_phase_db", "in phase dB"),
            ],
            Self::Boundaries { .. } => vec![
                other("reactive_m", "near up to"),
                other("far_field_m", "far from"),
            ],
            Self::Exposure { .. } => vec![
                other("reference_e_v_per_m", "reference level V/m"),
                other("far_field_distance_m", "met from (far field)"),
                other("keep_away_m", "keep away at least"),
            ],
        }
    }

    /// The figures at one frequency, in the order of the columns, and their basis.
    fn figures(&self, at: Frequency) -> Result<Figured, ShieldError> {
        Ok(match *self {
            Self::Sheet {
                ref material,
                thickness,
                field,
            } => sheet::solid(material, thickness, at, field)?.into(),
            Self::Film {
                sheet_resistance_ohm,
                field,
            } => sheet::film(sheet_resistance_ohm, at, field)?.into(),
            Self::Stack { ref layers, field } => stack::stack(layers, at, field)?.into(),
            Self::Spacing {
                ref layers,
                shortest,
                longest,
            } => stack::over_spacing(layers, at, shortest, longest)?.into(),
            Self::Shell {
                wall,
                shape,
                radius,
            } => shell::shell(wall, shape, radius, at)?.into(),
            Self::Slot { length } => aperture::slot(length, at)?.into(),
            Self::Row { count, each } => aperture::row(count, each, at)?.into(),
            Self::Mesh {
                spacing,
                wire_diameter,
                wire_ohm_per_m,
            } => aperture::mesh(spacing, wire_diameter, wire_ohm_per_m, at)?.into(),
            Self::Seam {
                contact_ohm,
                inductance_h,
            } => aperture::seam(contact_ohm, inductance_h, at)?.into(),
            Self::FastenedSeam { length, spacing } => {
                aperture::fastened_seam(length, spacing, at)?.into()
            }
            Self::Pipe {
                bore,
                length,
                count,
            } => aperture::pipe(bore, length, count, at)?.into(),
            Self::Boundaries {
                source_size,
                distance,
            } => field::boundaries(at, source_size, distance)?.into(),
            Self::Exposure {
                power,
                gain,
                guideline,
            } => field::exposure_distance(power, gain, at, guideline)?.into(),
        })
    }

    /// The answer at each frequency.
    ///
    /// # Errors
    /// For no frequency or more than [`FREQUENCIES_MAX`]; the first reason where the formula holds at none.
    pub fn answer(&self, frequencies: &[Frequency]) -> Result<Answer, ShieldError> {
        if frequencies.len() > FREQUENCIES_MAX {
            return Err(ShieldError::Outside {
                what: "number of frequencies",
                given: frequencies.len().to_string(),
                limit: format!("at most {FREQUENCIES_MAX}"),
            });
        }
        let columns = self.columns();
        let (mut rows, mut basis, mut refused) = (Vec::new(), None, None);
        for frequency in frequencies {
            let frequency_hz = frequency.hz();
            rows.push(match self.figures(*frequency) {
                Ok(figured) => {
                    basis = Some(figured.basis);
                    let names = columns.iter().map(|column| column.name);
                    Row {
                        frequency_hz,
                        figures: Figures(names.zip(figured.values).collect()),
                        outside: None,
                    }
                }
                Err(error) => {
                    let outside = Some(error.to_string());
                    refused.get_or_insert(error);
                    Row {
                        frequency_hz,
                        figures: Figures::default(),
                        outside,
                    }
                }
            });
        }
        match (basis, refused) {
            (Some(basis), _) => Ok(Answer {
                columns,
                rows,
                basis,
            }),
            (None, Some(error)) => Err(error),
            (None, None) => Err(ShieldError::TooFew {
                what: "frequencies",
                given: 0,
                needed: 1,
            }),
        }
    }
}

/// The figures of one frequency in the order of the columns of [`Question::columns`], and their basis.
struct Figured {
    values: Vec<Option<f64>>,
    basis: Basis,
}

impl Figured {
    fn of(values: &[f64], basis: Basis) -> Self {
        let values = values.iter().copied().map(Some).collect();
        Self { values, basis }
    }
}

impl From<SheetShielding> for Figured {
    fn from(got: SheetShielding) -> Self {
        let values = [
            got.skin_depth_m,
            got.absorption_db,
            got.reflection_db,
            got.multiple_reflection_db,
            got.se_db,
        ];
        Self::of(&values, got.basis)
    }
}

impl From<FilmShielding> for Figured {
    fn from(got: FilmShielding) -> Self {
        Self::of(&[got.wave_impedance_ohm, got.se_db], got.basis)
    }
}

impl From<StackShielding> for Figured {
    fn from(got: StackShielding) -> Self {
        Self::of(&[got.se_db], got.basis)
    }
}

impl From<SpacingBracket> for Figured {
    fn from(got: SpacingBracket) -> Self {
        let values = [got.worst_db, got.best_db, got.sum_of_singles_db];
        Self::of(&values, got.basis)
    }
}

impl From<ShellShielding> for Figured {
    fn from(got: ShellShielding) -> Self {
        Self {
            values: vec![Some(got.se_magnetic_db), got.se_electric_db],
            basis: got.basis,
        }
    }
}

impl From<OpeningShielding> for Figured {
    fn from(got: OpeningShielding) -> Self {
        Self::of(&[got.se_db], got.basis)
    }
}

impl From<RowShielding> for Figured {
    fn from(got: RowShielding) -> Self {
        let values = [got.one_db, got.se_power_sum_db, got.se_in_phase_db];
        Self::of(&values, got.basis)
    }
}

impl From<PipeShielding> for Figured {
    fn from(got: PipeShielding) -> Self {
        let values = [
            got.cutoff_hz,
            got.attenuation_db,
            got.array_power_sum_db,
            got.array_in_phase_db,
        ];
        Self::of(&values, got.basis)
    }
}

impl From<Boundaries> for Figured {
    fn from(got: Boundaries) -> Self {
        Self::of(&[got.reactive_m, got.far_field_m], got.basis)
    }
}

impl From<ExposureDistance> for Figured {
    fn from(got: ExposureDistance) -> Self {
        Self {
            values: vec![
                Some(got.reference_e_v_per_m),
                got.far_field_distance_m,
                Some(got.keep_away_m),
            ],
            basis: got.reference.basis,
        }
    }
}

#[cfg(test)]
mod tests {
    use super::super::check::near;
    use super::super::sheet::COPPER;
    use super::*;

    fn hz(f: f64) -> Frequency {
        Frequency::from_hz(f)
    }

    #[test]
    fn a_sheet_over_frequency() {
        // ORACLES C2 (Schelkunoff), 18 µm copper, plane wave.
        let question = Question::Sheet {
            material: COPPER,
            thickness: Length::from_m(18e-6),
            field: Field::PlaneWave,
        };
        let answer = question.answer(&[hz(1e5), hz(1e9)]).expect("copper");
        near(
            answer.rows[0].figures.get("se_db").expect("SE"),
            105.8741,
            1e-3,
        );
        near(
            answer.rows[1].figures.get("se_db").expect("SE"),
            152.9538,
            1e-3,
        );
        let se = answer.columns.iter().find(|c| c.is_se).expect("an SE");
        assert_eq!(answer.line(se).len(), 2);
        let json = serde_json::to_value(&answer).expect("plain");
        near(
            json["rows"][0]["absorption_db"].as_f64().expect("number"),
            0.7481362,
            1e-4,
        );
        assert!(json["source"].is_string() && json["validity"].is_string());
    }

    #[test]
    fn outside_its_range_it_says_why() {
        let question = Question::Pipe {
            bore: Bore::Round {
                diameter: Length::from_m(0.01),
            },
            length: Length::from_m(0.03),
            count: 1,
        };
        let answer = question.answer(&[hz(1e9), hz(18e9)]).expect("one holds");
        // ORACLES C11.
        near(
            answer.rows[0].figures.get("attenuation_db").expect("dB"),
            95.79837,
            1e-4,
        );
        let said = answer.rows[1].outside.as_deref().expect("a reason");
        assert!(said.contains("cut-off"), "{said}");
        assert!(question.answer(&[hz(18e9)]).is_err());
        assert!(question.answer(&[]).is_err());
    }

    #[test]
    fn every_question_has_as_many_figures_as_columns() {
        let m = Length::from_m;
        let film = Layer::Film {
            sheet_resistance_ohm: 0.1,
        };
        let gap = Layer::Gap {
            thickness: m(0.01),
            relative_permittivity: 1.0,
        };
        let field = Field::PlaneWave;
        let questions = [
            Question::Film {
                sheet_resistance_ohm: 0.1,
                field,
            },
            Question::Stack {
                layers: vec![film, gap, film],
                field,
            },
            Question::Spacing {
                layers: vec![film, gap, film],
                shortest: m(0.001),
                longest: m(0.1),
            },
            Question::Shell {
                wall: Wall::Film {
                    sheet_resistance_ohm: 0.1,
                },
                shape: Shape::Sphere,
                radius: m(0.1),
            },
            Question::Slot { length: m(0.1) },
            Question::Row {
                count: 3,
                each: m(0.1),
            },
            Question::Mesh {
                spacing: m(0.01),
                wire_diameter: m(0.001),
                wire_ohm_per_m: 0.1,
            },
            Question::Seam {
                contact_ohm: 1e-3,
                inductance_h: 1e-9,
            },
            Question::FastenedSeam {
                length: m(1.0),
                spacing: m(0.1),
            },
            Question::Boundaries {
                source_size: m(0.5),
                distance: m(2.0),
            },
            Question::Exposure {
                power: Level::from_dbm(40.0),
                gain: Ratio::from_db(2.0),
                guideline: Guideline::Icnirp2020Public,
            },
        ];
        for question in questions {
            let answer = question.answer(&[hz(1e8)]).expect("holds at 100 MHz");
            assert_eq!(
                answer.rows[0].figures.0.len(),
                answer.columns.len(),
                "{question:?}"
            );
            assert!(
                answer.rows[0].figures.0.iter().all(|(_, v)| v.is_some()),
                "{question:?}"
            );
        }
    }
}
