//! With what it was measured: the job, the set-up and its drawing, instruments and their calibration, settings.

use jiff::tz::TimeZone;

use super::super::document::{Cell, Column, Figure, Section, Table};
use super::super::material::RunMaterial;
use super::super::setup::{Setup, drawing};
use super::super::texts::Texts;
use super::{Facts, minute};
use crate::config::{
    Antenna, AntennaFigure, Arrangement, Calibration, Correction, InstrumentEntry, Settings,
    Station,
};
use crate::quantity::Frequency;

/// The job and the item.
pub(super) fn job(material: &RunMaterial, texts: &Texts) -> Section {
    let mut section = Section::new("job", texts.say("job.title"));
    let record = &material.record;
    let item = material.item.as_ref();
    let mut facts = Facts::new(texts);
    facts
        .maybe("job.item", record.item.clone())
        .maybe("job.model", record.model.clone())
        .maybe("job.lot", record.lot.clone())
        .maybe("job.size", item.and_then(|item| item.size.clone()))
        .maybe(
            "job.construction",
            item.and_then(|item| item.construction.clone()),
        )
        .maybe("job.item_note", item.and_then(|item| item.note.clone()))
        .add("job.plan", &material.plan.name)
        .add("job.station", &material.station.name)
        .maybe("job.operator", record.operator.clone())
        .add("job.began", minute(record.started))
        .maybe("job.ended", record.finished.map(minute))
        .add("job.state", texts.word("state", record.state.as_str()))
        .maybe("job.reason", record.reason.clone())
        .maybe("job.note", record.note.clone());
    section.blocks.push(facts.block());
    section
}

/// The set-up with its drawing.
pub(super) fn arrangement(material: &RunMaterial, texts: &Texts) -> Section {
    let mut section = Section::new("setup", texts.say("setup.title"));
    let (plan, station) = (&material.plan, &material.station);
    let setup = picture(material, texts);
    section.figure(Figure {
        name: "setup",
        caption: texts.say("setup.caption").to_owned(),
        alternative: spoken(&setup, texts),
        svg: drawing(&setup),
    });
    section.text(texts.say(match plan.arrangement {
        Arrangement::Linked => "setup.linked",
        Arrangement::Sealed => "setup.sealed",
        Arrangement::Scheduled => "setup.scheduled",
    }));
    let polarisations: Vec<_> = plan
        .polarisations
        .iter()
        .map(|polarisation| texts.word("polarisation", polarisation.word()))
        .collect();
    let placed = match &station.placement {
        Some(command) => texts.fill("setup.placed_by", &[("command", &command[0])]),
        None => texts.say("setup.placed_by_hand").to_owned(),
    };
    let amplifier = station.amplifier.as_ref().map(|amplifier| {
        let table = amplifier.gain_table.as_ref();
        let gain = correction_text(
            texts.quantity(amplifier.gain),
            table.map(|t| &t.name),
            texts,
        );
        let most = texts.quantity(amplifier.input_max);
        texts.fill("setup.amplifier_fact", &[("gain", &gain), ("most", &most)])
    });
    let mut facts = Facts::new(texts);
    facts
        .add("setup.distance", texts.quantity(station.distance))
        .add("setup.faces", plan.faces.join(", "))
        .add("setup.polarisations", polarisations.join(", "))
        .add("setup.repeats", plan.repeats.to_string())
        .maybe("setup.amplifier", amplifier)
        .maybe(
            "setup.transmit_antenna",
            antenna(&station.transmit_antenna, texts),
        )
        .maybe(
            "setup.receive_antenna",
            antenna(&station.receive_antenna, texts),
        )
        .add("setup.placed", placed)
        .add(
            "setup.feed_power_max",
            texts.quantity(station.safety.feed_power_max),
        )
        .maybe(
            "setup.eirp_max",
            station.safety.eirp_max.map(|it| texts.quantity(it)),
        )
        .maybe(
            "setup.erp_max",
            station.safety.erp_max.map(|it| texts.quantity(it)),
        )
        .add(
            "setup.damage",
            texts.quantity(station.safety.receiver_damage),
        );
    for permission in &plan.permissions {
        facts.add(
            "setup.permission",
            format!("{}: {}", permission.band, permission.text),
        );
    }
    section.blocks.push(facts.block());
    section
}

fn picture(material: &RunMaterial, texts: &Texts) -> Setup {
    let station = &material.station;
    let say = |key| texts.say(key).to_owned();
    Setup {
        source: (
            say("setup.source"),
            texts.fill(
                "setup.up_to",
                &[("level", &texts.quantity(station.source_range.level.1))],
            ),
        ),
        amplifier: station
            .amplifier
            .as_ref()
            .map(|amplifier| (say("setup.amplifier"), texts.quantity(amplifier.gain))),
        antenna: (
            say("setup.transmit_antenna"),
            texts.fill(
                "setup.at_most",
                &[("level", &texts.quantity(station.safety.feed_power_max))],
            ),
        ),
        distance: texts.quantity(station.distance),
        item: material.record.item.clone().map(|serial| {
            let size = material.item.as_ref().and_then(|item| item.size.clone());
            (serial, size.unwrap_or_default())
        }),
        receive_antenna: say("setup.receive_antenna"),
        receiver: (
            say("setup.receiver"),
            texts.fill(
                "setup.up_to",
                &[("level", &texts.quantity(station.safety.receiver_damage))],
            ),
        ),
        sealed: material.plan.arrangement != Arrangement::Linked,
    }
}

fn spoken(setup: &Setup, texts: &Texts) -> String {
    let chain = [
        Some(&setup.source.0),
        setup.amplifier.as_ref().map(|(name, _)| name),
        Some(&setup.antenna.0),
    ];
    let chain: Vec<&str> = chain.into_iter().flatten().map(String::as_str).collect();
    let key = match (&setup.item, setup.sealed) {
        (None, _) => "setup.spoken_open",
        (Some(_), false) => "setup.spoken_linked",
        (Some(_), true) => "setup.spoken_sealed",
    };
    texts.fill(
        key,
        &[("chain", &chain.join(", ")), ("distance", &setup.distance)],
    )
}

fn antenna(antenna: &Antenna, texts: &Texts) -> Option<String> {
    let figure = antenna.figure.as_ref().map(|figure| match figure {
        AntennaFigure::Gain(gain) => {
            texts.fill("setup.gain", &[("gain", &correction(gain, texts))])
        }
        AntennaFigure::Factor(table) => texts.fill("setup.factor", &[("table", &table.name)]),
    });
    let loss = antenna
        .cable_loss
        .as_ref()
        .map(|loss| texts.fill("setup.cable", &[("loss", &correction(loss, texts))]));
    let parts: Vec<String> = figure.into_iter().chain(loss).collect();
    (!parts.is_empty()).then(|| parts.join("; "))
}

fn correction(correction: &Correction, texts: &Texts) -> String {
    match correction {
        Correction::Same(ratio) => texts.quantity(ratio),
        Correction::Over(table) => texts.fill("setup.table", &[("table", &table.name)]),
    }
}

fn correction_text(nominal: String, table: Option<&String>, texts: &Texts) -> String {
    match table {
        Some(table) => format!(
            "{nominal}, {}",
            texts.fill("setup.table", &[("table", table)])
        ),
        None => nominal,
    }
}

/// The instruments, and what is known of their calibration on the day of the run.
pub(super) fn instruments(material: &RunMaterial, texts: &Texts) -> Section {
    let mut section = Section::new("instruments", texts.say("instruments.title"));
    let station = &material.station;
    let title = |key| texts.say(key).to_owned();
    let answered = material.record.instruments.clone().unwrap_or_default();
    let row = |role: &str,
               entry: &InstrumentEntry,
               range: (Frequency, Frequency),
               answered: Option<&str>| {
        let wanted = entry.identity.as_ref().map(|pattern| pattern.pattern());
        let identity = answered.or(wanted);
        vec![
            Cell::plain(texts.say(role)),
            Cell::plain(&entry.driver_name),
            Cell::plain(entry.address.to_string()),
            Cell::plain(identity.unwrap_or("–")),
            Cell::plain(format!(
                "{} – {}",
                texts.quantity(range.0),
                texts.quantity(range.1)
            )),
        ]
    };
    let mut rows = vec![
        row(
            "setup.source",
            &station.source,
            station.source_range.frequency,
            answered.source.as_deref(),
        ),
        row(
            "setup.receiver",
            &station.receiver,
            station.receiver_frequency,
            answered.receiver.as_deref(),
        ),
    ];
    rows.extend(station.power_monitor.as_ref().map(|monitor| {
        row(
            "setup.power_monitor",
            &monitor.entry,
            station.source_range.frequency,
            answered.power_monitor.as_deref(),
        )
    }));
    section.table(Table {
        name: "instruments",
        caption: texts.say("instruments.caption").to_owned(),
        columns: vec![
            Column::text("role", title("instruments.role")),
            Column::text("driver", title("instruments.driver")),
            Column::text("address", title("instruments.address")),
            Column::text("identity", title("instruments.identity")),
            Column::text("range", title("instruments.range")),
        ],
        rows,
    });
    match station.calibrations.is_empty() {
        true => section.text(texts.say("instruments.no_calibration")),
        false => section.table(calibrations(station, material, texts)),
    }
    section
}

fn calibrations(station: &Station, material: &RunMaterial, texts: &Texts) -> Table {
    let title = |key| texts.say(key).to_owned();
    // The day of the run, so that the report says the same whenever it is printed.
    let today = TimeZone::UTC.to_datetime(material.record.started).date();
    let row = |calibration: &Calibration| {
        let left = calibration.days_left(today);
        let state = match left {
            left if left < 0 => {
                texts.fill("instruments.overdue", &[("days", &(-left).to_string())])
            }
            left => texts.fill("instruments.valid", &[("days", &left.to_string())]),
        };
        vec![
            Cell::plain(&calibration.what),
            Cell::plain(calibration.certificate.as_deref().unwrap_or("–")),
            Cell::plain(calibration.due.to_string()),
            Cell::of(state, left),
        ]
    };
    Table {
        name: "calibration",
        caption: texts.say("instruments.calibration_caption").to_owned(),
        columns: vec![
            Column::text("what", title("instruments.what")),
            Column::text("certificate", title("instruments.certificate")),
            Column::text("due", title("instruments.due")),
            Column::text("days_left", title("instruments.state")),
        ],
        rows: station.calibrations.iter().map(row).collect(),
    }
}

/// Frequencies and settings, a row wherever the settings change.
pub(super) fn settings(material: &RunMaterial, texts: &Texts) -> Section {
    let mut section = Section::new("settings", texts.say("settings.title"));
    let plan = &material.plan;
    let groups = plan
        .frequencies
        .chunk_by(|a, b| plan.settings_at(*a) == plan.settings_at(*b));
    let title = |key| texts.say(key).to_owned();
    section.table(Table {
        name: "settings",
        caption: texts.say("settings.caption").to_owned(),
        columns: vec![
            Column::text("frequencies", title("settings.frequencies")),
            Column::number("count", title("settings.count")),
            Column::number("source_level", title("settings.level")),
            Column::number("resolution_bandwidth", title("settings.rbw")),
            Column::text("video_bandwidth", title("settings.vbw")),
            Column::number("span", title("settings.span")),
            Column::number("points", title("settings.points")),
            Column::text("attenuation", title("settings.attenuation")),
            Column::text("detector", title("settings.detector")),
            Column::number("sweeps", title("settings.sweeps")),
            Column::number("settle", title("settings.settle")),
        ],
        rows: groups
            .map(|group| settings_row(group, plan.settings_at(group[0]), texts))
            .collect(),
    });
    section.note(texts.say("settings.note"));
    let read_back = match material.document.settings_read_back {
        Some(true) => "settings.read_back",
        _ => "settings.not_read_back",
    };
    section.note(texts.say(read_back));
    if let Some(reason) = &material.document.carrier_unverified {
        section.note(texts.fill("settings.carrier_unverified", &[("reason", reason)]));
    }
    let adjusted = material.document.settings_adjusted.join(", ");
    if !adjusted.is_empty() {
        section.note(texts.fill("settings.adjusted", &[("what", &adjusted)]));
    }
    section
}

fn settings_row(group: &[Frequency], settings: &Settings, texts: &Texts) -> Vec<Cell> {
    let (first, last) = (group[0], group[group.len() - 1]);
    let range = match first == last {
        true => texts.quantity(first),
        false => format!("{} – {}", texts.quantity(first), texts.quantity(last)),
    };
    let own = || Cell::plain(texts.say("settings.own"));
    vec![
        Cell::plain(range),
        Cell::of(group.len().to_string(), group.len()),
        Cell::plain(texts.quantity(settings.source_level)),
        Cell::plain(texts.quantity(settings.resolution_bandwidth)),
        settings
            .video_bandwidth
            .map_or_else(own, |vbw| Cell::plain(texts.quantity(vbw))),
        Cell::plain(texts.quantity(settings.span)),
        Cell::of(settings.points.to_string(), settings.points),
        settings
            .attenuation
            .map_or_else(own, |db| Cell::plain(texts.quantity(db))),
        settings.detector.map_or_else(own, |detector| {
            Cell::of(texts.word("detector", detector.word()), detector.word())
        }),
        Cell::of(settings.sweeps.to_string(), settings.sweeps),
        Cell::plain(texts.quantity(settings.settle)),
    ]
}
