//! Sets a document into pages: where every line, rule and picture stands, and to which node of the document's
//! structure it belongs. Lengths are points (1/72 inch), from the upper left corner.

use std::sync::Arc;

use resvg::{tiny_skia, usvg};

use super::super::ReportError;
use super::super::document::{Block, Document, Figure, Logo, Section, Sender, Table};
use super::super::figure;
use super::super::picture;
use super::super::shape::{self, Line};
use super::super::text::{INK, QUIET, Weight};
use crate::store::Verdict;

/// A4.
pub(super) const WIDTH: f32 = 595.28;
/// A4.
pub(super) const HEIGHT: f32 = 841.89;
const LEFT: f32 = 62.0;
const TOP: f32 = 62.0;
const BOTTOM: f32 = HEIGHT - 66.0;
const ROOM: f32 = WIDTH - 2.0 * LEFT;
const FOOT: f32 = HEIGHT - 38.0;
const LABEL: f32 = 148.0;
const RULE: &str = "#c9c9c2";
const HAIR: &str = "#e0e0da";
/// A heading stands with at least so much of what follows it.
const TOGETHER: f32 = 64.0;
const LOGO_HEIGHT: f32 = 40.0;
const LOGO_WIDTH: f32 = 140.0;
/// Pixels of a drawn logo to a point: 600 to the inch.
const LOGO_FINE: f32 = 600.0 / 72.0;

/// How text is set.
#[derive(Debug, Clone, Copy)]
struct Style {
    size: f32,
    leading: f32,
    weight: Weight,
    ink: &'static str,
    tabular: bool,
}

const fn style(size: f32, leading: f32, weight: Weight, ink: &'static str) -> Style {
    Style {
        size,
        leading,
        weight,
        ink,
        tabular: false,
    }
}

const TITLE: Style = style(21.0, 26.0, Weight::SemiBold, INK);
const HEADING: Style = style(12.5, 16.0, Weight::SemiBold, INK);
const BODY: Style = style(9.5, 14.0, Weight::Regular, INK);
const QUIETLY: Style = style(9.5, 14.0, Weight::Regular, QUIET);
const SMALL: Style = style(8.0, 11.5, Weight::Regular, QUIET);
const VERDICT: Style = style(17.0, 22.0, Weight::SemiBold, INK);
const CELL: Style = style(7.8, 10.6, Weight::Regular, INK);
const HEAD_CELL: Style = style(7.8, 10.6, Weight::SemiBold, INK);

impl Style {
    fn width(self, text: &str) -> f32 {
        shape::width(text, self.weight, self.tabular) * self.size
    }

    fn lines(self, text: &str, room: f32) -> Vec<Line> {
        shape::paragraph(text, self.weight, self.tabular, room / self.size)
    }
}

/// Which node of the structure.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) struct NodeId(pub usize);

/// What a node is.
#[derive(Debug, Clone, PartialEq)]
pub(super) enum Mark {
    Heading(u16, String),
    Section,
    Paragraph,
    Quote,
    List,
    Entry,
    Label,
    Body,
    Table(String),
    Head,
    Rows,
    Row,
    HeadCell,
    Cell,
    Figure(String),
    Caption,
}

/// A node of the structure.
#[derive(Debug)]
pub(super) struct TreeNode {
    pub mark: Mark,
    pub children: Vec<NodeId>,
}

/// One thing to draw.
#[derive(Debug)]
pub(super) struct Op {
    pub x: f32,
    /// For text, of its baseline.
    pub y: f32,
    /// Nothing for ornaments.
    pub node: Option<NodeId>,
    pub shape: Shape,
}

/// What to draw.
#[derive(Debug)]
pub(super) enum Shape {
    Text {
        line: Line,
        size: f32,
        weight: Weight,
        ink: &'static str,
    },
    Rule {
        to: (f32, f32),
        width: f32,
        ink: &'static str,
        dash: Option<Vec<f32>>,
    },
    Picture {
        svg: Arc<usvg::Tree>,
        scale: f32,
    },
    Image {
        rgba: Vec<u8>,
        pixels: (u32, u32),
        size: (f32, f32),
    },
}

/// A document set.
#[derive(Debug, Default)]
pub(super) struct Pages {
    pub pages: Vec<Vec<Op>>,
    pub nodes: Vec<TreeNode>,
    pub roots: Vec<NodeId>,
    /// Title, page from 0, height.
    pub outline: Vec<(String, usize, f32)>,
}

/// Sets a document.
pub(super) fn set(document: &Document) -> Result<Pages, ReportError> {
    let mut flow = Flow {
        set: Pages {
            pages: vec![Vec::new()],
            ..Pages::default()
        },
        within: Vec::new(),
        y: TOP,
    };
    flow.sender(&document.sender)?;
    flow.text(
        &document.title,
        TITLE,
        Mark::Heading(1, document.title.clone()),
    );
    flow.y += 2.0;
    for line in &document.lead {
        flow.text(line, QUIETLY, Mark::Paragraph);
    }
    for (i, section) in document.sections.iter().enumerate() {
        flow.section(section, i == 0)?;
    }
    feet(document, &mut flow.set);
    Ok(flow.set)
}

/// The foot of every page, and the head of every further one.
fn feet(document: &Document, set: &mut Pages) {
    let count = set.pages.len();
    for (i, page) in set.pages.iter_mut().enumerate() {
        let mut text = |text: &str, right: bool, y: f32| {
            let x = match right {
                true => WIDTH - LEFT - SMALL.width(text),
                false => LEFT,
            };
            page.push(text_op(
                shape::line(text, SMALL.weight, false),
                SMALL,
                x,
                y,
                None,
            ));
        };
        let foot = [Some(document.footer.clone()), document.printed.clone()];
        let foot: Vec<String> = foot.into_iter().flatten().collect();
        text(&foot.join(" · "), false, FOOT);
        let number = document
            .page_words
            .replace("{pages}", &count.to_string())
            .replace("{page}", &(i + 1).to_string());
        text(&number, true, FOOT);
        if i > 0 {
            text(&document.title, false, 36.0);
        }
        page.push(rule(
            (LEFT, FOOT - 14.0),
            (WIDTH - LEFT, FOOT - 14.0),
            0.5,
            RULE,
        ));
    }
}

fn text_op(line: Line, style: Style, x: f32, y: f32, node: Option<NodeId>) -> Op {
    Op {
        x,
        y,
        node,
        shape: Shape::Text {
            line,
            size: style.size,
            weight: style.weight,
            ink: style.ink,
        },
    }
}

fn rule(from: (f32, f32), to: (f32, f32), width: f32, ink: &'static str) -> Op {
    Op {
        x: from.0,
        y: from.1,
        node: None,
        shape: Shape::Rule {
            to,
            width,
            ink,
            dash: None,
        },
    }
}

/// The page being filled.
struct Flow {
    set: Pages,
    /// The nodes that what comes next lies in.
    within: Vec<NodeId>,
    y: f32,
}

impl Flow {
    fn push(&mut self, op: Op) {
        if let Some(page) = self.set.pages.last_mut() {
            page.push(op);
        }
    }

    fn node(&mut self, mark: Mark) -> NodeId {
        let id = NodeId(self.set.nodes.len());
        self.set.nodes.push(TreeNode {
            mark,
            children: Vec::new(),
        });
        match self.within.last() {
            Some(parent) => self.set.nodes[parent.0].children.push(id),
            None => self.set.roots.push(id),
        }
        id
    }

    fn inside<T>(&mut self, mark: Mark, set: impl FnOnce(&mut Self) -> T) -> T {
        let node = self.node(mark);
        self.within.push(node);
        let done = set(self);
        self.within.pop();
        done
    }

    fn turn_page(&mut self) {
        self.set.pages.push(Vec::new());
        self.y = TOP;
    }

    /// A new page unless so much room is left on this one.
    fn need(&mut self, height: f32) {
        if self.y + height > BOTTOM && self.y > TOP {
            self.turn_page();
        }
    }

    /// A paragraph across the page, in a node of its own.
    fn text(&mut self, text: &str, style: Style, mark: Mark) {
        let node = self.node(mark);
        self.lines(style.lines(text, ROOM), style, LEFT, Some(node));
    }

    fn lines(&mut self, lines: Vec<Line>, style: Style, x: f32, node: Option<NodeId>) {
        for line in lines {
            self.need(style.leading);
            let baseline = self.y + 0.5 * (style.leading - style.size) + 0.78 * style.size;
            self.push(text_op(line, style, x, baseline, node));
            self.y += style.leading;
        }
    }

    fn sender(&mut self, sender: &Sender) -> Result<(), ReportError> {
        let top = self.y;
        let mut bottom = top;
        if !sender.name.is_empty() || !sender.address.is_empty() {
            let node = self.node(Mark::Paragraph);
            let name = style(SMALL.size, SMALL.leading, Weight::SemiBold, INK);
            if !sender.name.is_empty() {
                self.lines(name.lines(&sender.name, 0.6 * ROOM), name, LEFT, Some(node));
            }
            for line in &sender.address {
                self.lines(SMALL.lines(line, 0.6 * ROOM), SMALL, LEFT, Some(node));
            }
            bottom = self.y;
        }
        if let Some(logo) = &sender.logo {
            let (shape, width, height) = logo_shape(logo)?;
            let node = self.node(Mark::Figure(sender.name.clone()));
            self.push(Op {
                x: WIDTH - LEFT - width,
                y: top,
                node: Some(node),
                shape,
            });
            bottom = bottom.max(top + height);
        }
        if bottom > top {
            self.y = bottom + 34.0;
        }
        Ok(())
    }

    fn section(&mut self, section: &Section, first: bool) -> Result<(), ReportError> {
        self.inside(Mark::Section, |flow| {
            // The first stands right below the title: its verdict needs no heading to be found.
            match first {
                true => flow.y += 14.0,
                false => {
                    flow.y += 22.0;
                    flow.need(HEADING.leading + together(&section.blocks)?);
                    let here = (flow.set.pages.len() - 1, flow.y);
                    flow.set
                        .outline
                        .push((section.title.clone(), here.0, here.1));
                    let mark = Mark::Heading(2, section.title.clone());
                    flow.text(&section.title, HEADING, mark);
                    flow.y += 5.0;
                }
            }
            section
                .blocks
                .iter()
                .try_for_each(|block| flow.block(block))
        })
    }

    fn block(&mut self, block: &Block) -> Result<(), ReportError> {
        match block {
            Block::Verdict {
                verdict,
                word,
                sentence,
            } => self.verdict(*verdict, word, sentence),
            Block::Text { text } => {
                self.text(&text.replace('`', ""), BODY, Mark::Paragraph);
                self.y += 5.0;
            }
            Block::Note { text } => {
                self.text(&text.replace('`', ""), SMALL, Mark::Paragraph);
                self.y += 5.0;
            }
            Block::Quote { text, source } => self.quote(text, source.as_deref()),
            Block::Facts { facts } => {
                let pairs = facts
                    .iter()
                    .map(|fact| (fact.label.as_str(), fact.value.as_str()));
                self.inside(Mark::List, |flow| {
                    pairs.for_each(|(label, value)| flow.fact(label, value));
                });
                self.y += 6.0;
            }
            Block::List { sentences } => {
                self.inside(Mark::List, |flow| {
                    sentences.iter().for_each(|sentence| flow.bullet(sentence));
                });
                self.y += 3.0;
            }
            Block::Table(table) => self.table(table),
            Block::Figure(figure) => self.figure(figure)?,
        }
        Ok(())
    }

    /// A frame: closed for pass and fail, dashed for undecided, and the word in letters, so that it needs no
    /// colour.
    fn verdict(&mut self, verdict: Option<Verdict>, word: &str, sentence: &str) {
        const PAD: f32 = 13.0;
        let inner = ROOM - 2.0 * PAD - 6.0;
        let lines = BODY.lines(sentence, inner);
        let height = 2.0 * PAD + VERDICT.leading + BODY.leading * lines.len() as f32;
        self.need(height);
        let (top, bottom) = (self.y, self.y + height);
        let right = WIDTH - LEFT;
        let dash = match verdict {
            Some(Verdict::Undecided) => Some(vec![5.0, 3.0]),
            _ => None,
        };
        let ink = if verdict.is_some() { INK } else { RULE };
        let sides = [
            ((LEFT, top), (right, top), 0.8),
            ((right, top), (right, bottom), 0.8),
            ((right, bottom), (LEFT, bottom), 0.8),
            ((LEFT + 2.5, bottom), (LEFT + 2.5, top), 5.0),
        ];
        for (from, to, width) in sides {
            let mut op = rule(from, to, width, ink);
            if let Shape::Rule { dash: given, .. } = &mut op.shape {
                given.clone_from(&dash);
            }
            self.push(op);
        }
        self.y = top + PAD;
        let x = LEFT + PAD + 6.0;
        let node = self.node(Mark::Paragraph);
        self.lines(VERDICT.lines(word, inner), VERDICT, x, Some(node));
        let node = self.node(Mark::Paragraph);
        self.lines(lines, BODY, x, Some(node));
        self.y = bottom + 16.0;
    }

    fn quote(&mut self, text: &str, source: Option<&str>) {
        let lines = BODY.lines(text, ROOM - 12.0);
        self.need(BODY.leading * lines.len().min(4) as f32);
        let (top, page) = (self.y, self.set.pages.len());
        self.inside(Mark::Quote, |flow| {
            let node = flow.node(Mark::Paragraph);
            flow.lines(lines, BODY, LEFT + 12.0, Some(node));
        });
        if page == self.set.pages.len() {
            self.push(rule((LEFT + 1.0, top), (LEFT + 1.0, self.y), 1.5, RULE));
        }
        self.y += 5.0;
        if let Some(source) = source {
            self.text(source, SMALL, Mark::Paragraph);
            self.y += 5.0;
        }
    }

    fn fact(&mut self, label: &str, value: &str) {
        let labels = QUIETLY.lines(label, LABEL - 10.0);
        let values = BODY.lines(value, ROOM - LABEL);
        let height = BODY.leading * labels.len().max(values.len()) as f32;
        self.need(height + 4.0);
        let top = self.y + 2.0;
        self.inside(Mark::Entry, |flow| {
            for (mark, lines, style, x) in [
                (Mark::Label, labels, QUIETLY, LEFT),
                (Mark::Body, values, BODY, LEFT + LABEL),
            ] {
                flow.y = top;
                let node = flow.node(mark);
                flow.lines(lines, style, x, Some(node));
            }
        });
        self.y = top + height + 2.0;
        self.push(rule((LEFT, self.y), (WIDTH - LEFT, self.y), 0.4, HAIR));
    }

    fn bullet(&mut self, sentence: &str) {
        let lines = BODY.lines(sentence, ROOM - 12.0);
        self.need(BODY.leading * lines.len() as f32);
        let top = self.y;
        self.inside(Mark::Entry, |flow| {
            let node = flow.node(Mark::Label);
            flow.lines(BODY.lines("•", 12.0), BODY, LEFT, Some(node));
            flow.y = top;
            let node = flow.node(Mark::Body);
            flow.lines(lines, BODY, LEFT + 12.0, Some(node));
        });
        self.y += 2.5;
    }

    fn figure(&mut self, figure: &Figure) -> Result<(), ReportError> {
        let tree = picture::parse(&figure.svg)?;
        let scale = ROOM / figure::WIDTH as f32;
        let height = drawn(&tree);
        let caption = SMALL.lines(&figure.caption, ROOM);
        self.need(height + 6.0 + SMALL.leading * caption.len() as f32);
        self.inside(Mark::Figure(figure.alternative.clone()), |flow| {
            let node = flow.within.last().copied();
            let y = flow.y;
            flow.push(Op {
                x: LEFT,
                y,
                node,
                shape: Shape::Picture {
                    svg: Arc::new(tree),
                    scale,
                },
            });
            flow.y += height + 6.0;
            let node = flow.node(Mark::Caption);
            flow.lines(caption, SMALL, LEFT, Some(node));
        });
        self.y += 12.0;
        Ok(())
    }

    fn table(&mut self, table: &Table) {
        let widths = widths(table);
        let rows: Vec<Vec<&str>> = table
            .rows
            .iter()
            .map(|row| table.shown_of(row).map(|cell| cell.text.as_str()).collect())
            .collect();
        let caption = SMALL.lines(&table.caption, ROOM);
        self.need(SMALL.leading * caption.len() as f32 + TOGETHER);
        self.inside(Mark::Table(table.caption.clone()), |flow| {
            let node = flow.node(Mark::Caption);
            flow.lines(caption, SMALL, LEFT, Some(node));
            flow.y += 3.0;
            let titles: Vec<&str> = table.shown().iter().map(|c| c.title.as_str()).collect();
            let numbers: Vec<bool> = table.shown().iter().map(|c| c.number).collect();
            let columns = Columns { widths, numbers };
            flow.inside(Mark::Head, |flow| {
                flow.row(&titles, &columns, Some(Mark::HeadCell))
            });
            flow.inside(Mark::Rows, |flow| {
                for row in &rows {
                    let height = columns.height(row, CELL);
                    if flow.y + height > BOTTOM {
                        flow.turn_page();
                        // Said once for those who listen, shown again for those who look.
                        flow.row(&titles, &columns, None);
                    }
                    flow.row(row, &columns, Some(Mark::Cell));
                }
            });
        });
        self.y += 10.0;
    }

    /// A row; of the head, with its rule. Without a mark it is an ornament.
    fn row(&mut self, texts: &[&str], columns: &Columns, mark: Option<Mark>) {
        let head = mark != Some(Mark::Cell);
        let style = if head { HEAD_CELL } else { CELL };
        let height = columns.height(texts, style);
        let (top, page_row) = (self.y, mark.as_ref().map(|_| self.node(Mark::Row)));
        self.within.extend(page_row);
        let mut x = LEFT;
        for ((text, width), number) in texts.iter().zip(&columns.widths).zip(&columns.numbers) {
            let style = Style {
                tabular: *number,
                ..style
            };
            let node = mark.clone().map(|mark| self.node(mark));
            self.y = top + 2.0;
            let lines = style.lines(text, *width);
            // Titles stand on their rule.
            if head {
                self.y += height - 4.0 - style.leading * lines.len() as f32;
            }
            for line in lines {
                let at = match number {
                    true => x + width - line.width * style.size,
                    false => x,
                };
                self.lines(vec![line], style, at, node);
            }
            x += width + columns.gap();
        }
        if page_row.is_some() {
            self.within.pop();
        }
        self.y = top + height;
        let (width, ink) = if head { (0.7, INK) } else { (0.4, HAIR) };
        self.push(rule((LEFT, self.y), (WIDTH - LEFT, self.y), width, ink));
    }
}

/// How much of a section stays with its heading: a figure at its beginning, with what leads to it.
fn together(blocks: &[Block]) -> Result<f32, ReportError> {
    let mut height = 0.0;
    for block in blocks {
        match block {
            Block::Text { text } => {
                height += BODY.leading * BODY.lines(text, ROOM).len() as f32 + 5.0
            }
            Block::Figure(figure) => {
                return Ok(height + drawn(&picture::parse(&figure.svg)?) + 4.0 * SMALL.leading);
            }
            _ => break,
        }
    }
    Ok(TOGETHER)
}

/// How tall a figure is on the page.
fn drawn(tree: &usvg::Tree) -> f32 {
    tree.size().height() * ROOM / figure::WIDTH as f32
}

/// How wide the columns of a table are.
struct Columns {
    widths: Vec<f32>,
    numbers: Vec<bool>,
}

/// The least room between columns.
const GAP: f32 = 9.0;

impl Columns {
    /// The columns spread over the page, but not so far that the eye loses the row.
    fn gap(&self) -> f32 {
        let between = self.widths.len().saturating_sub(1).max(1) as f32;
        let left = ROOM - self.widths.iter().sum::<f32>();
        (left / between).clamp(GAP, 26.0)
    }

    fn height(&self, texts: &[&str], style: Style) -> f32 {
        let lines = |((text, width), number): ((&&str, &f32), &bool)| {
            let style = Style {
                tabular: *number,
                ..style
            };
            style.lines(text, *width).len()
        };
        let fields = texts.iter().zip(&self.widths).zip(&self.numbers);
        let most = fields.map(lines).max().unwrap_or(1);
        style.leading * most as f32 + 4.0
    }
}

/// Words that are longer than this may be broken, and where that is not enough shorter ones too.
const WORD_MAX: [f32; 5] = [110.0, 90.0, 75.0, 60.0, 40.0];

/// As wide as what they hold; where that is too much, the widest give way first, down to their longest word.
fn widths(table: &Table) -> Vec<f32> {
    let columns = table.shown();
    let mut natural = Vec::with_capacity(columns.len());
    // Of each column what cannot be broken, and its longest word.
    let mut hard = Vec::with_capacity(columns.len());
    for (i, column) in columns.iter().enumerate() {
        let style = Style {
            tabular: column.number,
            ..CELL
        };
        let texts = table
            .rows
            .iter()
            .filter_map(|row| table.shown_of(row).nth(i));
        let (mut whole, mut word) = (0f32, 0f32);
        let longest = |style: Style, text: &str| {
            let words = text.split(' ').map(|word| style.width(word));
            words.fold(0f32, f32::max)
        };
        for text in texts.map(|cell| cell.text.as_str()) {
            whole = whole.max(style.width(text));
            word = word.max(longest(style, text));
        }
        let title = longest(HEAD_CELL, &column.title);
        natural.push(whole.max(title) + 0.5);
        // Numbers are never broken; a long word may be.
        hard.push(match column.number {
            true => (whole.max(title) + 0.5, 0.0),
            false => (title + 0.5, word + 0.5),
        });
    }
    let room = ROOM - GAP * columns.len().saturating_sub(1) as f32;
    let over = natural.iter().sum::<f32>() - room;
    if over <= 0.0 {
        return natural;
    }
    let least_with = |word_max: f32| -> Vec<f32> {
        let least = |(hard, word): &(f32, f32)| word.min(word_max).max(*hard);
        hard.iter().map(least).collect()
    };
    let mut all = WORD_MAX.into_iter().map(least_with);
    let fits = all.find(|least| least.iter().sum::<f32>() <= room);
    let least = fits.unwrap_or_else(|| least_with(0.0));
    // A common width that no column exceeds unless it must, found by halving.
    let at = |cap: f32| -> Vec<f32> {
        let columns = natural.iter().zip(&least);
        columns
            .map(|(natural, least)| natural.min(cap).max(*least))
            .collect()
    };
    let (mut low, mut high) = (0f32, natural.iter().copied().fold(0.0, f32::max));
    for _ in 0..24 {
        let middle = 0.5 * (low + high);
        match at(middle).iter().sum::<f32>() > room {
            true => high = middle,
            false => low = middle,
        }
    }
    at(low)
}

/// The logo as pixels, and its size on the page.
fn logo_shape(logo: &Logo) -> Result<(Shape, f32, f32), ReportError> {
    let fault = |error: &dyn std::fmt::Display| ReportError::Logo(error.to_string());
    let pixels = match logo.svg {
        false => tiny_skia::Pixmap::decode_png(&logo.bytes).map_err(|error| fault(&error))?,
        true => {
            let text = std::str::from_utf8(&logo.bytes).map_err(|error| fault(&error))?;
            let tree = picture::parse(text)?;
            let size = tree.size();
            let points = (LOGO_HEIGHT / size.height()).min(LOGO_WIDTH / size.width());
            let scale = points * LOGO_FINE;
            let side = |length: f32| (length * scale).ceil().max(1.0) as u32;
            let mut pixels = tiny_skia::Pixmap::new(side(size.width()), side(size.height()))
                .ok_or_else(|| fault(&"it has no size"))?;
            let transform = tiny_skia::Transform::from_scale(scale, scale);
            resvg::render(&tree, transform, &mut pixels.as_mut());
            pixels
        }
    };
    let sides = (pixels.width(), pixels.height());
    let scale = (LOGO_HEIGHT / sides.1 as f32).min(LOGO_WIDTH / sides.0 as f32);
    let size = (sides.0 as f32 * scale, sides.1 as f32 * scale);
    let shape = Shape::Image {
        rgba: pixels.take_demultiplied(),
        pixels: sides,
        size,
    };
    Ok((shape, size.0, size.1))
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::report::document::{Cell, Column};

    #[test]
    fn a_table_of_long_words_stays_between_the_margins() {
        let titles = ["Run", "Item", "Station", "Plan", "Measured by", "SHA-256"];
        let long = "ca5b5947fd7db1c477eef38f6e33ab68679d289d30a3ed5975188bf23e5df533";
        for longs in 0..=titles.len() {
            let columns = titles.iter().map(|title| Column::text("name", *title));
            let number = Column::number("traces", "Traces");
            let cells =
                (0..titles.len()).map(|i| Cell::plain(if i < longs { long } else { "short" }));
            let table = Table {
                name: "wide",
                caption: String::new(),
                columns: columns.chain([number]).collect(),
                rows: vec![cells.chain([Cell::plain("184")]).collect()],
            };
            let widths = widths(&table);
            let wide = widths.iter().sum::<f32>() + GAP * titles.len() as f32;
            assert!(wide <= ROOM + 1e-3, "{longs} long words: {wide} of {ROOM}");
            let style = Style {
                tabular: true,
                ..CELL
            };
            assert!(widths[titles.len()] >= style.width("184"));
        }
    }
}
