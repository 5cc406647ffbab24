//! The questions of theory: each a subcommand, all with the same frequencies, table, JSON and picture.

use std::path::PathBuf;

use clap::{Args, Subcommand, ValueEnum};
use comfy_table::{Cell, CellAlignment};
use serde_json::json;

use super::{frequency, item_run, picture};
use crate::analysis::shield::aperture::Bore;
use crate::analysis::shield::cavity::{BoxSize, Loading, Modes, modes};
use crate::analysis::shield::field::Guideline;
use crate::analysis::shield::sheet::{Field, Material};
use crate::analysis::shield::shell::{Shape, Wall};
use crate::analysis::shield::stack::Layer;
use crate::analysis::shield::theory::{Answer, Column, Question, Row};
use crate::cli::measure::picture_kind;
use crate::cli::{CliError, StoreArg, print, print_json, table};
use crate::config::decades;
use crate::quantity::{Frequency, Length, Level, Ratio, sides};
use crate::report::reason::theory_chart;
use crate::report::{RunDocument, one_decimal};
use crate::store::Store;

/// Where, beside what, and how it is shown.
#[derive(Debug, Args)]
pub(super) struct Over {
    /// A frequency; may be given several times.
    #[arg(long, value_name = "FREQUENCY", conflicts_with_all = ["from", "to", "run"])]
    at: Vec<Frequency>,
    /// Lowest frequency.
    #[arg(long, default_value = "100 kHz", value_name = "FREQUENCY")]
    from: Frequency,
    /// Highest frequency.
    #[arg(long, default_value = "1 GHz", value_name = "FREQUENCY")]
    to: Frequency,
    /// Frequencies in each decade.
    #[arg(long, default_value_t = 3, value_name = "N", value_parser = clap::value_parser!(u32).range(1..=1000))]
    per_decade: u32,
    /// Put it beside this run of an item, at the run's own frequencies.
    #[arg(long, value_name = "RUN")]
    run: Option<String>,
    #[command(flatten)]
    store: StoreArg,
    /// Write a chart there (.svg or .png).
    #[arg(long, value_name = "FILE")]
    picture: Option<PathBuf>,
    /// Print JSON.
    #[arg(long)]
    json: bool,
}

/// What meets the shield.
#[derive(Debug, Clone, Copy, Args)]
#[group(multiple = false)]
pub(super) struct Meets {
    /// The field of a short electric dipole at this distance, instead of a plane wave.
    #[arg(long, value_name = "DISTANCE")]
    electric: Option<Length>,
    /// The field of a small loop at this distance, instead of a plane wave.
    #[arg(long, value_name = "DISTANCE")]
    magnetic: Option<Length>,
}

impl Meets {
    fn field(self) -> Field {
        match (self.electric, self.magnetic) {
            (Some(distance), _) => Field::NearElectric { distance },
            (_, Some(distance)) => Field::NearMagnetic { distance },
            (None, None) => Field::PlaneWave,
        }
    }
}

/// The shape nearest to a closed item.
#[derive(Debug, Clone, Copy, ValueEnum)]
pub(super) enum ShapeWord {
    /// A sphere; a box goes as the sphere of equal volume.
    Sphere,
    /// A long cylinder, the magnetic field across its axis.
    Cylinder,
    /// Two parallel plates, the magnetic field along them; the radius is half their distance.
    Plates,
}

/// Whose exposure reference levels.
#[derive(Debug, Clone, Copy, ValueEnum)]
pub(super) enum GuidelineWord {
    /// ICNIRP 2020, general public.
    IcnirpPublic,
    /// ICNIRP 2020, occupational.
    IcnirpOccupational,
    /// 47 CFR 1.1310, general population.
    CfrPublic,
    /// 47 CFR 1.1310, occupational.
    CfrOccupational,
}

#[derive(Debug, Subcommand)]
pub(super) enum Theory {
    /// A solid metal sheet: skin depth, absorption, reflection, multiple reflection, SE.
    Sheet(SheetArgs),
    /// A thin conductive film or fabric, by its sheet resistance.
    Film(FilmArgs),
    /// Several layers with gaps; with a range of spacing, its worst and best case.
    Stack(StackArgs),
    /// A closed item small against the wavelength, in magnetic and electric fields.
    Shell(ShellArgs),
    /// A slot, by its longest dimension.
    Slot(SlotArgs),
    /// A row of equal openings.
    Row(RowArgs),
    /// A square wire mesh, bonded at the crossings.
    Mesh(MeshArgs),
    /// A seam by its transfer impedance.
    Seam(SeamArgs),
    /// A seam held at fasteners, a slot between each two.
    Fasteners(FastenersArgs),
    /// A pipe or the cells of a vent, below cut-off.
    Pipe(PipeArgs),
    /// Resonances of a closed box, with the shift by what is in it.
    Cavity(CavityArgs),
    /// Where the near field of a source ends and its far field begins.
    Near(NearArgs),
    /// How far people stay from an antenna, by published reference levels.
    Exposure(ExposureArgs),
}

#[derive(Debug, Args)]
pub(super) struct SheetArgs {
    /// `copper`, `aluminium`, `steel`, or conductivity in S/m and relative permeability (`5.8e6,1000`).
    #[arg(long)]
    material: Material,
    /// Its thickness (`"18 um"`).
    #[arg(long)]
    thickness: Length,
    #[command(flatten)]
    meets: Meets,
    #[command(flatten)]
    over: Over,
}

#[derive(Debug, Args)]
pub(super) struct FilmArgs {
    /// Sheet resistance, ohm per square.
    #[arg(long)]
    ohm: f64,
    #[command(flatten)]
    meets: Meets,
    #[command(flatten)]
    over: Over,
}

#[derive(Debug, Args)]
pub(super) struct StackArgs {
    /// From the source inwards: `copper:18um`, `film:0.1` (ohm per square), `gap:5mm`, `gap:5mm:2.1` (foam).
    #[arg(required = true, value_name = "LAYER")]
    layers: Vec<Layer>,
    /// Shortest gap: every gap may then be anything up to the longest.
    #[arg(long, requires = "longest", conflicts_with_all = ["electric", "magnetic"])]
    shortest: Option<Length>,
    /// Longest gap.
    #[arg(long, requires = "shortest")]
    longest: Option<Length>,
    #[command(flatten)]
    meets: Meets,
    #[command(flatten)]
    over: Over,
}

#[derive(Debug, Args)]
pub(super) struct ShellArgs {
    /// Sheet resistance of its wall, ohm per square.
    #[arg(long, required_unless_present = "material", conflicts_with_all = ["material", "thickness"])]
    ohm: Option<f64>,
    /// Material of its wall, where it is solid.
    #[arg(long, requires = "thickness")]
    material: Option<Material>,
    /// Thickness of the wall.
    #[arg(long, requires = "material")]
    thickness: Option<Length>,
    /// Shape nearest to it.
    #[arg(long, value_enum, default_value = "sphere")]
    shape: ShapeWord,
    /// Its radius.
    #[arg(long)]
    radius: Length,
    #[command(flatten)]
    over: Over,
}

#[derive(Debug, Args)]
pub(super) struct SlotArgs {
    /// Longest dimension.
    #[arg(long)]
    length: Length,
    #[command(flatten)]
    over: Over,
}

#[derive(Debug, Args)]
pub(super) struct RowArgs {
    /// How many.
    #[arg(long)]
    count: u32,
    /// Longest dimension of each.
    #[arg(long)]
    each: Length,
    #[command(flatten)]
    over: Over,
}

#[derive(Debug, Args)]
pub(super) struct MeshArgs {
    /// Distance of the wires.
    #[arg(long)]
    spacing: Length,
    /// Thickness of a wire.
    #[arg(long)]
    wire: Length,
    /// Resistance of a wire, ohm per metre.
    #[arg(long, default_value_t = 0.0)]
    ohm_per_m: f64,
    #[command(flatten)]
    over: Over,
}

#[derive(Debug, Args)]
pub(super) struct SeamArgs {
    /// Contact resistance, ohm.
    #[arg(long, default_value_t = 0.0)]
    ohm: f64,
    /// Inductance, nanohenry.
    #[arg(long, default_value_t = 0.0)]
    nanohenry: f64,
    #[command(flatten)]
    over: Over,
}

#[derive(Debug, Args)]
pub(super) struct FastenersArgs {
    /// Length of the seam.
    #[arg(long)]
    length: Length,
    /// Distance of the fasteners.
    #[arg(long)]
    spacing: Length,
    #[command(flatten)]
    over: Over,
}

#[derive(Debug, Args)]
pub(super) struct PipeArgs {
    /// Inner diameter of a round one.
    #[arg(long, required_unless_present = "side", conflicts_with = "side")]
    diameter: Option<Length>,
    /// Longer inner side of a rectangular one.
    #[arg(long)]
    side: Option<Length>,
    /// Length along the axis.
    #[arg(long)]
    length: Length,
    /// How many side by side.
    #[arg(long, default_value_t = 1)]
    count: u32,
    #[command(flatten)]
    over: Over,
}

#[derive(Debug, Args)]
pub(super) struct CavityArgs {
    /// Inner size, three sides (`"30 x 40 x 50 cm"`).
    #[arg(long)]
    size: String,
    /// Share of the volume taken by contents, 0 to 1.
    #[arg(long, default_value_t = 0.0)]
    fill: f64,
    /// Relative permittivity of the contents.
    #[arg(long, default_value_t = 1.0)]
    permittivity: f64,
    /// Quality factor of the closed box with its contents.
    #[arg(long, default_value_t = 40.0)]
    quality: f64,
    /// Up to this frequency.
    #[arg(long, default_value = "1 GHz")]
    up_to: Frequency,
    /// Print JSON.
    #[arg(long)]
    json: bool,
}

#[derive(Debug, Args)]
pub(super) struct NearArgs {
    /// Largest dimension of the source.
    #[arg(long)]
    size: Length,
    /// Distance looked from.
    #[arg(long, default_value = "1 m")]
    distance: Length,
    #[command(flatten)]
    over: Over,
}

#[derive(Debug, Args)]
pub(super) struct ExposureArgs {
    /// Power fed to the antenna (`"40 dBm"`).
    #[arg(long, allow_hyphen_values = true)]
    power: Level,
    /// Gain of the antenna over an isotropic one, times (`"2.1 dB"`).
    #[arg(long, default_value = "2.15 dB", allow_hyphen_values = true)]
    gain: Ratio,
    /// Whose reference levels; local rules decide.
    #[arg(long, value_enum, default_value = "icnirp-public")]
    levels: GuidelineWord,
    #[command(flatten)]
    over: Over,
}

/// A question and how its answer is shown.
struct Asked {
    what: &'static str,
    question: Question,
    over: Over,
}

impl From<SheetArgs> for Asked {
    fn from(args: SheetArgs) -> Self {
        Self {
            what: "a solid sheet",
            question: Question::Sheet {
                material: args.material,
                thickness: args.thickness,
                field: args.meets.field(),
            },
            over: args.over,
        }
    }
}

impl From<FilmArgs> for Asked {
    fn from(args: FilmArgs) -> Self {
        Self {
            what: "a conductive film",
            question: Question::Film {
                sheet_resistance_ohm: args.ohm,
                field: args.meets.field(),
            },
            over: args.over,
        }
    }
}

impl From<StackArgs> for Asked {
    fn from(args: StackArgs) -> Self {
        let layers = args.layers;
        Self {
            what: "layers",
            question: match (args.shortest, args.longest) {
                (Some(shortest), Some(longest)) => Question::Spacing {
                    layers,
                    shortest,
                    longest,
                },
                _ => Question::Stack {
                    layers,
                    field: args.meets.field(),
                },
            },
            over: args.over,
        }
    }
}

impl From<ShellArgs> for Asked {
    fn from(args: ShellArgs) -> Self {
        let wall = match (args.material, args.thickness) {
            (Some(material), Some(thickness)) => Wall::Solid {
                material,
                thickness,
            },
            // Without a material the resistance is there: clap sees to it. Zero would be refused by the theory.
            _ => Wall::Film {
                sheet_resistance_ohm: args.ohm.unwrap_or_default(),
            },
        };
        Self {
            what: "a small closed shell",
            question: Question::Shell {
                wall,
                shape: match args.shape {
                    ShapeWord::Sphere => Shape::Sphere,
                    ShapeWord::Cylinder => Shape::CylinderAcross,
                    ShapeWord::Plates => Shape::Plates,
                },
                radius: args.radius,
            },
            over: args.over,
        }
    }
}

impl From<SlotArgs> for Asked {
    fn from(args: SlotArgs) -> Self {
        Self {
            what: "a slot",
            question: Question::Slot {
                length: args.length,
            },
            over: args.over,
        }
    }
}

impl From<RowArgs> for Asked {
    fn from(args: RowArgs) -> Self {
        Self {
            what: "a row of openings",
            question: Question::Row {
                count: args.count,
                each: args.each,
            },
            over: args.over,
        }
    }
}

impl From<MeshArgs> for Asked {
    fn from(args: MeshArgs) -> Self {
        Self {
            what: "a wire mesh",
            question: Question::Mesh {
                spacing: args.spacing,
                wire_diameter: args.wire,
                wire_ohm_per_m: args.ohm_per_m,
            },
            over: args.over,
        }
    }
}

impl From<SeamArgs> for Asked {
    fn from(args: SeamArgs) -> Self {
        Self {
            what: "a seam",
            question: Question::Seam {
                contact_ohm: args.ohm,
                inductance_h: args.nanohenry * 1e-9,
            },
            over: args.over,
        }
    }
}

impl From<FastenersArgs> for Asked {
    fn from(args: FastenersArgs) -> Self {
        Self {
            what: "a seam held at fasteners",
            question: Question::FastenedSeam {
                length: args.length,
                spacing: args.spacing,
            },
            over: args.over,
        }
    }
}

impl From<PipeArgs> for Asked {
    fn from(args: PipeArgs) -> Self {
        let bore = match (args.diameter, args.side) {
            (Some(diameter), _) => Bore::Round { diameter },
            // Without a diameter the side is there: clap sees to it. Zero would be refused by the theory.
            (None, side) => Bore::Rectangular {
                longer_side: side.unwrap_or(Length::from_m(0.0)),
            },
        };
        Self {
            what: "a pipe below cut-off",
            question: Question::Pipe {
                bore,
                length: args.length,
                count: args.count,
            },
            over: args.over,
        }
    }
}

impl From<NearArgs> for Asked {
    fn from(args: NearArgs) -> Self {
        Self {
            what: "near and far",
            question: Question::Boundaries {
                source_size: args.size,
                distance: args.distance,
            },
            over: args.over,
        }
    }
}

impl From<ExposureArgs> for Asked {
    fn from(args: ExposureArgs) -> Self {
        Self {
            what: "distance for people",
            question: Question::Exposure {
                power: args.power,
                gain: args.gain,
                guideline: match args.levels {
                    GuidelineWord::IcnirpPublic => Guideline::Icnirp2020Public,
                    GuidelineWord::IcnirpOccupational => Guideline::Icnirp2020Occupational,
                    GuidelineWord::CfrPublic => Guideline::Cfr1310Public,
                    GuidelineWord::CfrOccupational => Guideline::Cfr1310Occupational,
                },
            },
            over: args.over,
        }
    }
}

/// Answers a question of theory.
pub(super) async fn run(theory: Theory) -> Result<u8, CliError> {
    let asked: Asked = match theory {
        Theory::Cavity(args) => return cavity(&args),
        Theory::Sheet(args) => args.into(),
        Theory::Film(args) => args.into(),
        Theory::Stack(args) => args.into(),
        Theory::Shell(args) => args.into(),
        Theory::Slot(args) => args.into(),
        Theory::Row(args) => args.into(),
        Theory::Mesh(args) => args.into(),
        Theory::Seam(args) => args.into(),
        Theory::Fasteners(args) => args.into(),
        Theory::Pipe(args) => args.into(),
        Theory::Near(args) => args.into(),
        Theory::Exposure(args) => args.into(),
    };
    let Asked {
        what,
        question,
        over,
    } = asked;
    let kind = over.picture.as_deref().map(picture_kind).transpose()?;
    let measured = match &over.run {
        Some(run) => {
            let store = Store::open_read_only(&over.store.store).await?;
            Some(item_run(&store, run).await?)
        }
        None => None,
    };
    let answer = question.answer(&over.frequencies(measured.as_ref())?)?;
    if let (Some(path), Some(kind)) = (&over.picture, kind) {
        if !answer.columns.iter().any(|column| column.is_se) {
            return Err(CliError::Input(format!(
                "there is no SE in the answer about {what}, so no chart of it; leave --picture out"
            )));
        }
        picture(
            path,
            kind,
            &[theory_chart(what, &answer, measured.as_ref())],
        )?;
    }
    match over.json {
        true => print_json(&as_json(&question, &answer, measured.as_ref()))?,
        false => print(&describe(&answer, measured.as_ref()))?,
    }
    Ok(0)
}

impl Over {
    fn frequencies(&self, measured: Option<&RunDocument>) -> Result<Vec<Frequency>, CliError> {
        if let Some(document) = measured {
            let points = document.deciding().into_iter();
            return Ok(points.map(|p| Frequency::from_hz(p.frequency_hz)).collect());
        }
        if !self.at.is_empty() {
            return Ok(self.at.clone());
        }
        match self.from.hz() > 0.0 && self.to > self.from {
            true => Ok(decades(self.from, self.to, self.per_decade)),
            false => Err(CliError::Input(format!(
                "--to {} is not above --from {}; both must be more than 0 Hz",
                self.to, self.from
            ))),
        }
    }
}

fn as_json(
    question: &Question,
    answer: &Answer,
    measured: Option<&RunDocument>,
) -> serde_json::Value {
    let beside = measured.map(|document| {
        let points = document.deciding().into_iter();
        let points: Vec<_> = points
            .map(|point| {
                json!({
                    "frequency_hz": point.frequency_hz, "kind": point.kind,
                    "se_db": point.se_db, "u_db": point.u_db,
                })
            })
            .collect();
        json!({ "run": document.run, "item": document.item, "points": points })
    });
    let mut value = json!({ "asked": format!("{question:?}"), "answer": answer });
    if let Some(beside) = beside {
        value["measured"] = beside;
    }
    value
}

/// A row for each frequency; the reasons of those without figures once each below the table.
fn describe(answer: &Answer, measured: Option<&RunDocument>) -> String {
    let mut heading = vec!["frequency"];
    heading.extend(answer.columns.iter().map(|column| column.heading));
    if measured.is_some() {
        heading.extend(["measured SE dB", "± dB"]);
    }
    let mut rows = table::table(&heading);
    let points = measured.map_or(Vec::new(), RunDocument::deciding);
    let mut reasons: Vec<&str> = Vec::new();
    for row in &answer.rows {
        let mut cells = vec![table::right(frequency(row.frequency_hz))];
        cells.extend(answer.columns.iter().map(|column| figure(column, row)));
        if measured.is_some() {
            let point = points
                .iter()
                .find(|point| point.frequency_hz == row.frequency_hz);
            cells.push(table::right(
                point.map_or("–".to_owned(), |point| point.se_text()),
            ));
            cells.push(table::number(point.and_then(|point| point.u_db)));
        }
        rows.add_row(cells);
        if let Some(reason) = row.outside.as_deref()
            && !reasons.contains(&reason)
        {
            reasons.push(reason);
        }
    }
    let mut text = table::trim_lines(&rows.to_string());
    if let Some(document) = measured {
        text = format!("{}\n\n{text}", super::heading(document));
    }
    if let Some((first, rest)) = reasons.split_first() {
        text.push_str(&format!("\n\n–: {first}"));
        if !rest.is_empty() {
            text.push_str(&format!(" (and the like at {} more)", rest.len()));
        }
    }
    format!(
        "{text}\n\nFrom: {}\nHolds for: {}\nTheory, not a measurement.",
        answer.basis.source, answer.basis.validity
    )
}

/// A figure with the unit that its name ends in.
fn figure(column: &Column, row: &Row) -> Cell {
    let Some(value) = row.figures.get(column.name) else {
        return Cell::new("–").set_alignment(CellAlignment::Right);
    };
    let name = column.name;
    table::right(match name {
        _ if name.ends_with("_db") => one_decimal(value),
        _ if name.ends_with("_hz") => short(value),
        // A field strength, not a length.
        _ if name.ends_with("_per_m") => four_figures(value).to_string(),
        _ if name.ends_with("_m") => length(value),
        _ => four_figures(value).to_string(),
    })
}

fn length(m: f64) -> String {
    match four_figures(m) {
        m if m < 1e-3 => format!("{} µm", four_figures(m * 1e6)),
        m => Length::from_m(m).to_string(),
    }
}

/// As many figures as a material or a cut is known to.
fn four_figures(value: f64) -> f64 {
    if value == 0.0 || !value.is_finite() {
        return value;
    }
    let text = format!("{value:.3e}");
    text.parse().unwrap_or(value)
}

fn cavity(args: &CavityArgs) -> Result<u8, CliError> {
    let sides = sides(&args.size);
    let Some(&[a, b, c]) = sides.as_deref() else {
        return Err(CliError::Input(format!(
            "`{}` is not a size of three sides; write it like `30 x 40 x 50 cm`",
            args.size
        )));
    };
    let loading = Loading {
        fill: args.fill,
        relative_permittivity: args.permittivity,
        quality: args.quality,
    };
    let found = modes(BoxSize { a, b, c }, loading, args.up_to)?;
    match args.json {
        true => print_json(&found)?,
        false => print(&describe_modes(&found))?,
    }
    Ok(0)
}

fn describe_modes(found: &Modes) -> String {
    let mut rows = table::table(&["empty", "loaded", "width", "patterns", "half waves"]);
    for mode in &found.modes {
        let indices: Vec<_> = mode
            .indices
            .iter()
            .map(|[l, m, n]| format!("{l}{m}{n}"))
            .collect();
        rows.add_row(vec![
            table::right(short(mode.frequency_hz)),
            table::right(short(mode.loaded_hz)),
            table::right(short(mode.width_hz)),
            table::right(mode.degeneracy.to_string()),
            Cell::new(indices.join(" ")),
        ]);
    }
    let list = match found.modes.is_empty() {
        true => "no resonance in this range".to_owned(),
        false => table::trim_lines(&rows.to_string()),
    };
    format!(
        "{list}\n\nFrom: {}\nHolds for: {}\nTheory, not a measurement.",
        found.basis.source, found.basis.validity
    )
}

/// A frequency to four figures: nobody builds a box more exactly than that.
fn short(hz: f64) -> String {
    frequency(four_figures(hz))
}
