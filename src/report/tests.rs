//! The pictures as a whole: what is in the SVG, that it is sound, and that no text hits another.

#![expect(clippy::unwrap_used, reason = "a test fails by panicking")]

use resvg::usvg::{self, roxmltree};

use super::*;

fn mark(frequency_hz: f64, se_db: f64, kind: Kind) -> Mark {
    Mark {
        frequency_hz,
        se_db,
        u_db: Some(2.1),
        kind,
    }
}

fn series(label: &str, points: Vec<Mark>) -> Series {
    Series {
        label: label.to_owned(),
        points,
    }
}

/// 31 frequencies from 100 kHz to 1 GHz, two polarisations, three bounds and one gap.
fn item(serial: &str) -> Chart {
    let frequency = |i: i32| 1e5 * 10f64.powf(f64::from(i) * 4.0 / 30.0);
    let points = |offset: f64, bounds: &[i32], gap: Option<i32>| {
        let point = |i: i32| {
            let se_db = 50.0 + offset + 8.0 * (f64::from(i) / 4.0).sin();
            match i {
                i if bounds.contains(&i) => mark(frequency(i), 70.0, Kind::AtLeast),
                i if gap == Some(i) => mark(frequency(i), f64::NAN, Kind::None),
                i => mark(frequency(i), se_db, Kind::Measured),
            }
        };
        (0..31).map(point).collect()
    };
    Chart {
        title: serial.to_owned(),
        subtitle: "Pouch, double layer · lot 7 · plan quiet-zone-outer".to_owned(),
        verdict: Some("Undecided: 1.2 dB above the limit at 251 kHz".to_owned()),
        limit: vec![(1e5, 40.0), (3e7, 40.0), (3e7, 50.0), (1e9, 50.0)],
        series: vec![
            series("front, horizontal", points(0.0, &[14, 15], None)),
            series("front, vertical", points(-4.0, &[16], Some(9))),
        ],
        visible: (0..31).map(|i| (frequency(i), 78.0)).collect(),
        footer: format!("run 01JH8Z4M7Q2W5N6T8V9X0Y1Z2A {serial} · 31 January 2026, 09:00 UTC"),
        ..Chart::default()
    }
}

fn hostile() -> Chart {
    let mut chart = item("P-\"7\" '<&>' 😀👩‍🚀 \u{0}\u{1b}\u{202E}]]>");
    chart.subtitle = "W".repeat(10_000);
    chart.verdict = Some("<b>pass</b> & ".repeat(30));
    chart.series[0].label = "<script>alert(1)</script> and much more".to_owned();
    chart.footer = "\u{FFFF}&amp;".repeat(100);
    chart.series[1]
        .points
        .iter_mut()
        .for_each(|m| m.kind = Kind::None);
    chart.series[0]
        .points
        .push(mark(f64::NAN, 50.0, Kind::Measured));
    chart.series[0]
        .points
        .push(mark(-1.0, 50.0, Kind::Measured));
    chart.series[0]
        .points
        .push(mark(1e6, f64::INFINITY, Kind::AtLeast));
    chart.limit.push((2e9, f64::NAN));
    chart
}

/// A wide range, a series for each of 40 items.
fn many() -> Chart {
    let points = |k: i32| {
        vec![
            mark(1e8, f64::from(k) * 5.5 - 20.0, Kind::Measured),
            mark(2e8, 60.0, Kind::AtLeast),
        ]
    };
    Chart {
        series: (0..40)
            .map(|k| series(&format!("item {k}"), points(k)))
            .collect(),
        ..item("many")
    }
}

fn five_thousand() -> Chart {
    let point = |i: i32| {
        let kind = match i {
            3000..4000 => Kind::AtLeast,
            4000..4010 => Kind::None,
            _ => Kind::Measured,
        };
        // Within the bounds only one in a hundred is low.
        let se_db = if i % 100 == 50 { 40.0 } else { 60.0 };
        mark(1e5 * 10f64.powf(f64::from(i) / 1250.0), se_db, kind)
    };
    Chart {
        series: vec![series("front", (0..5000).map(point).collect())],
        ..item("dense")
    }
}

fn all_pictures() -> Vec<String> {
    let long = Chart {
        title: "serial-".repeat(30),
        ..item("")
    };
    let six: Vec<Chart> = (0..6).map(|i| item(&format!("P-004{i}"))).collect();
    vec![
        item("P-0042").svg(),
        Chart::default().svg(),
        Chart {
            series: vec![series("one", vec![mark(2.5e8, 52.0, Kind::AtLeast)])],
            ..Chart::default()
        }
        .svg(),
        hostile().svg(),
        many().svg(),
        five_thousand().svg(),
        svg_panels("", &[]),
        svg_panels("Lot 7", &six),
        svg_panels(
            &"T".repeat(300),
            &[hostile(), long, many(), item("P-1"), five_thousand()],
        ),
    ]
}

/// Elements with a class.
fn count(svg: &str, class: &str) -> usize {
    document(svg)
        .descendants()
        .filter(|n| n.attribute("class") == Some(class))
        .count()
}

fn document(svg: &str) -> roxmltree::Document<'_> {
    roxmltree::Document::parse(svg).expect("well-formed XML")
}

fn path_of<'a>(document: &'a roxmltree::Document, class: &str) -> Vec<&'a str> {
    let of_class = document
        .descendants()
        .filter(|n| n.attribute("class") == Some(class));
    of_class.filter_map(|n| n.attribute("d")).collect()
}

#[test]
fn every_picture_is_sound_xml_and_svg() {
    for svg in all_pictures() {
        document(&svg);
        picture::parse(&svg).expect("SVG");
        assert!(!svg.contains("NaN") && !svg.contains("inf"), "{svg}");
    }
}

#[test]
fn same_input_same_bytes() {
    assert_eq!(all_pictures(), all_pictures());
    let svg = item("P-0042").svg();
    assert_eq!(png(&svg, 800).unwrap(), png(&svg, 800).unwrap());
}

#[test]
fn each_kind_is_drawn_as_what_it_is() {
    let svg = item("P-0042").svg();
    assert_eq!(count(&svg, "measured"), 62 - 4);
    assert_eq!(count(&svg, "bound"), 3 + 1, "and one in the key");
    assert_eq!(count(&svg, "gap"), 1 + 1, "and one in the key");
    assert_eq!(count(&svg, "limit"), 1);
    assert_eq!(count(&svg, "range"), 1);
    // What is not there is not explained either.
    let bare = Chart {
        limit: vec![],
        visible: vec![],
        ..item("P-0042")
    };
    let bare = Chart {
        series: vec![series("one", vec![mark(1e6, 50.0, Kind::Measured)])],
        ..bare
    }
    .svg();
    for class in ["bound", "gap", "limit", "range", "joined"] {
        assert_eq!(count(&bare, class), 0, "{class}");
    }
}

#[test]
fn only_measured_neighbours_are_joined() {
    use Kind::{AtLeast, Measured, None};
    let kinds = [
        Measured, Measured, AtLeast, Measured, Measured, Measured, None, Measured,
    ];
    let frequencies = [1e6, 2e6, 3e6, 4e6, 5e6, 6e6, 7e6, 8e6];
    let mut points: Vec<Mark> = frequencies
        .iter()
        .zip(kinds)
        .map(|(&hz, kind)| mark(hz, 50.0, kind))
        .collect();
    let straight = Chart {
        series: vec![series("one", points.clone())],
        ..Chart::default()
    }
    .svg();
    let parsed = document(&straight);
    let corners: Vec<usize> = path_of(&parsed, "joined")
        .iter()
        .map(|d| d.matches(['M', 'L']).count())
        .collect();
    // Two before the bound, three before the gap; the last stands alone.
    assert_eq!(corners, [2, 3]);
    points.reverse();
    let reversed = Chart {
        series: vec![series("one", points)],
        ..Chart::default()
    }
    .svg();
    assert_eq!(straight, reversed, "the order given does not matter");
}

#[test]
fn a_bound_points_upwards_from_an_open_mark() {
    let svg = item("P-0042").svg();
    let document = document(&svg);
    let bound = document
        .descendants()
        .find(|n| n.attribute("class") == Some("bound"))
        .unwrap();
    let shapes: Vec<_> = bound.children().filter(|n| n.is_element()).collect();
    let stem: Vec<f64> = shapes[0]
        .attribute("d")
        .unwrap()
        .split(['M', 'L', ' '])
        .filter_map(|n| n.parse().ok())
        .collect();
    assert_eq!(stem[0], stem[2], "upright");
    assert!(
        stem[3] < stem[1] - 8.0,
        "from the bound to higher SE: {stem:?}"
    );
    assert_eq!(shapes[1].attribute("fill"), Some("#ffffff"), "open");
}

#[test]
fn the_limit_is_drawn_only_where_it_is_defined() {
    let limit = vec![(1e6, 45.0), (1e7, 45.0)];
    let svg = Chart {
        limit,
        ..item("P-0042")
    }
    .svg();
    let document = document(&svg);
    let limit = document
        .descendants()
        .find(|n| n.attribute("class") == Some("limit"))
        .unwrap();
    let line = limit
        .children()
        .find(|n| n.is_element())
        .unwrap()
        .attribute("d")
        .unwrap();
    let numbers: Vec<f64> = line
        .split(['M', 'L', ' '])
        .filter_map(|n| n.parse().ok())
        .collect();
    // The axis spans 4.2 decades over 554 px from x = 60; 1 MHz is 1.1 decades in, 10 MHz 2.1.
    assert_eq!(numbers.len(), 4);
    assert!(
        (numbers[0] - (60.0 + 554.0 * 1.1 / 4.2)).abs() < 0.06,
        "{line}"
    );
    assert!(
        (numbers[2] - (60.0 + 554.0 * 2.1 / 4.2)).abs() < 0.06,
        "{line}"
    );
    assert!(svg.contains("limit line, 45 dB"));
}

#[test]
fn of_crowded_bounds_the_lowest_stand_for_the_rest() {
    let svg = five_thousand().svg();
    assert!(count(&svg, "bound") < 30);
    assert!(svg.contains("lowest of neighbours"));
    // 40 dB of 0..100 on 320 px from y = 132: each arrow stands on its column's lowest bound.
    let parsed = document(&svg);
    let low_y = 132.0 + 320.0 * 0.6;
    let on_low = |d: &&str| {
        d.starts_with('M')
            && d[1..]
                .split(['L', ' '])
                .nth(1)
                .is_some_and(|y| y == low_y.to_string())
    };
    let stems = parsed
        .descendants()
        .filter(|n| n.attribute("class") == Some("bound"));
    let stems: Vec<&str> = stems
        .filter_map(|n| n.first_element_child()?.attribute("d"))
        .collect();
    assert!(stems.iter().filter(|d| on_low(d)).count() >= 5, "{stems:?}");
    assert!(svg.len() < 300_000, "{} bytes", svg.len());
}

#[test]
fn texts_are_escaped_and_shortened() {
    let svg = hostile().svg();
    assert!(!svg.contains("<script") && !svg.contains("<b>"));
    let document = document(&svg);
    let texts: Vec<&str> = document
        .descendants()
        .filter(|n| n.has_tag_name("text"))
        .filter_map(|n| n.text())
        .collect();
    assert_eq!(texts[0], "P-\"7\" '<&>' 😀👩‍🚀 \u{FFFD}\u{FFFD}\u{FFFD}]]>");
    assert!(texts[1].starts_with("WWW") && texts[1].ends_with('…') && texts[1].len() < 100);
}

#[test]
fn the_picture_is_as_large_as_asked() {
    // Width and height stand at byte 16 of a PNG, big-endian (PNG specification, IHDR).
    let size =
        |png: &[u8]| [16, 20].map(|at| u32::from_be_bytes(png[at..at + 4].try_into().unwrap()));
    let svg = item("P-0042").svg();
    let [width, height] = size(&png(&svg, 800).unwrap());
    assert_eq!(width, 800);
    assert!((500..600).contains(&height));
    assert_eq!(size(&png(&svg, 1600).unwrap()), [1600, 2 * height]);
    png(&hostile().svg(), 400).unwrap();
    for width_px in [0, 15, 10_001, u32::MAX] {
        assert!(matches!(png(&svg, width_px), Err(ReportError::Size { .. })));
    }
    assert!(matches!(
        png("no picture", 800),
        Err(ReportError::NotSvg(_))
    ));
}

#[test]
fn no_text_leaves_the_paper_or_hits_another() {
    for (i, svg) in all_pictures().iter().enumerate() {
        let tree = picture::parse(svg).unwrap();
        let mut boxes = Vec::new();
        collect_texts(tree.root(), &mut boxes);
        assert!(!boxes.is_empty());
        for (n, (text, a)) in boxes.iter().enumerate() {
            let inside = a.left() >= 0.0
                && a.right() <= 800.0
                && a.top() >= 0.0
                && a.bottom() <= tree.size().height();
            assert!(inside, "picture {i}: `{text}` leaves the paper: {a:?}");
            for (other, b) in &boxes[..n] {
                let apart = a.left() >= b.right()
                    || b.left() >= a.right()
                    || a.top() >= b.bottom()
                    || b.top() >= a.bottom();
                assert!(apart, "picture {i}: `{text}` on `{other}`");
            }
        }
    }
}

fn collect_texts(group: &usvg::Group, out: &mut Vec<(String, usvg::Rect)>) {
    for node in group.children() {
        match node {
            usvg::Node::Group(group) => collect_texts(group, out),
            usvg::Node::Text(text) => {
                let content = text.chunks().iter().map(|c| c.text()).collect();
                out.push((content, text.abs_bounding_box()));
            }
            _ => {}
        }
    }
}
