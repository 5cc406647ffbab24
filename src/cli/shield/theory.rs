//! The questions of theory: each a subcommand, made from the table of [`ask::TOPICS`], all with the same
//! frequencies, table, JSON and picture.

use std::path::PathBuf;

use clap::builder::PossibleValue;
use clap::builder::PossibleValuesParser;
use clap::{Arg, ArgAction, ArgMatches, Args, Command, FromArgMatches, Subcommand};
use comfy_table::Cell;

use super::{item_run, save};
use crate::analysis::shield::ask::{self, Input, TOPICS, Topic};
use crate::cli::measure::picture_kind;
use crate::cli::{CliError, StoreArg, print, print_json, table};
use crate::quantity::Frequency;
use crate::report::{MARK, Over, TheoryDocument};
use crate::store::Store;

/// Where on the frequency axis.
#[derive(Debug, Args)]
struct Where {
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
}

/// Beside what, and how it is shown.
#[derive(Debug, Args)]
struct Shown {
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

/// A question as it was asked in the terminal.
#[derive(Debug)]
pub(super) struct Theory {
    topic: &'static Topic,
    given: Vec<(String, String)>,
    over: Over,
    shown: Shown,
}

impl Subcommand for Theory {
    fn augment_subcommands(command: Command) -> Command {
        command.subcommands(TOPICS.iter().map(subcommand))
    }

    fn augment_subcommands_for_update(command: Command) -> Command {
        Self::augment_subcommands(command)
    }

    fn has_subcommand(name: &str) -> bool {
        ask::topic(name).is_ok()
    }
}

impl FromArgMatches for Theory {
    fn from_arg_matches(matches: &ArgMatches) -> Result<Self, clap::Error> {
        let wrong =
            |said: String| clap::Error::raw(clap::error::ErrorKind::InvalidSubcommand, said);
        let (word, matches) = matches
            .subcommand()
            .ok_or_else(|| wrong("a question of theory is missing\n".to_owned()))?;
        let topic = ask::topic(word).map_err(|error| wrong(format!("{error}\n")))?;
        let given = topic.inputs.iter().flat_map(|input| {
            let values = matches.get_many::<String>(input.key).into_iter().flatten();
            values.map(|value| (input.key.to_owned(), value.clone()))
        });
        let over = match topic.at_frequencies {
            true => {
                let Where {
                    at,
                    from,
                    to,
                    per_decade,
                } = Where::from_arg_matches(matches)?;
                Over {
                    at,
                    from,
                    to,
                    per_decade,
                }
            }
            false => Over::default(),
        };
        Ok(Self {
            topic,
            given: given.collect(),
            over,
            shown: Shown::from_arg_matches(matches)?,
        })
    }

    fn update_from_arg_matches(&mut self, matches: &ArgMatches) -> Result<(), clap::Error> {
        *self = Self::from_arg_matches(matches)?;
        Ok(())
    }
}

fn subcommand(topic: &Topic) -> Command {
    let command = Command::new(topic.word).args(topic.inputs.iter().map(argument));
    let command = match topic.at_frequencies {
        true => Where::augment_args(command),
        false => command,
    };
    // Last, because groups of arguments bring words of their own.
    Shown::augment_args(command).about(topic.about)
}

fn argument(input: &Input) -> Arg {
    let argument = Arg::new(input.key)
        .help(match input.choices {
            [] => format!("{} [like: {}]", input.about, input.example),
            _ => input.about.to_owned(),
        })
        .required(input.required)
        // A gain may be negative; of several values in order the next option is none.
        .allow_hyphen_values(!input.several);
    let argument = match input.several {
        // What comes in order is given in order.
        true => argument
            .value_name(input.key)
            .num_args(1..)
            .action(ArgAction::Append),
        false => argument.long(input.key).value_name("VALUE"),
    };
    let argument = match input.choices {
        [] => argument,
        choices => {
            let words = choices
                .iter()
                .map(|choice| PossibleValue::new(choice.word).help(choice.about));
            argument.value_parser(PossibleValuesParser::new(words))
        }
    };
    match input.default {
        Some(default) => argument.default_value(default),
        None => argument,
    }
}

/// Answers a question of theory.
pub(super) async fn run(theory: Theory) -> Result<u8, CliError> {
    let asked = theory.topic.ask(&theory.given);
    let asked = asked.map_err(|error| CliError::Input(error.to_string()))?;
    let shown = theory.shown;
    let kind = shown.picture.as_deref().map(picture_kind).transpose()?;
    let measured = match &shown.run {
        Some(run) => {
            let store = Store::open_read_only(&shown.store.store).await?;
            Some(item_run(&store, run).await?)
        }
        None => None,
    };
    let document = TheoryDocument::ask(asked, &theory.over, measured)?;
    if let (Some(path), Some(kind)) = (&shown.picture, kind) {
        save(path, kind, document.svg())?;
    }
    match shown.json {
        true => print_json(&document)?,
        false => print(&describe(&document))?,
    }
    Ok(0)
}

/// The table, with what was asked above it and where it comes from below.
fn describe(document: &TheoryDocument) -> String {
    let answer = document.table();
    let heading: Vec<&str> = answer.heading.iter().map(String::as_str).collect();
    let mut rows = table::table(&heading);
    for row in &answer.rows {
        rows.add_row(
            row.iter()
                .enumerate()
                .map(|(column, cell)| match heading[column] {
                    "half waves" => Cell::new(cell),
                    _ => table::right(cell.clone()),
                }),
        );
    }
    let heading = document.run().map(super::heading);
    let rows = (!answer.rows.is_empty()).then(|| table::trim_lines(&rows.to_string()));
    let parts: Vec<String> = [heading, rows, answer.note].into_iter().flatten().collect();
    let basis = document.basis();
    format!(
        "{}\n\nFrom: {}\nHolds for: {}\n{MARK}",
        parts.join("\n\n"),
        basis.source,
        basis.validity
    )
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_stack_of_the_readme_is_read_as_written() {
        let readme = include_str!("../../../README.md");
        let line = readme
            .lines()
            .find(|line| line.starts_with("muffle shield stack "));
        let line = line.expect("a stack in the README");
        let words = line
            .split('#')
            .next()
            .unwrap_or(line)
            .split_whitespace()
            .skip(1);
        let command = Theory::augment_subcommands(Command::new("shield"));
        let matches = command.try_get_matches_from(words).expect("as written");
        let theory = Theory::from_arg_matches(&matches).expect("a question");
        let given = |key: &str| theory.given.iter().filter(|(at, _)| at == key).count();
        assert_eq!(
            (given("layer"), given("shortest"), given("longest")),
            (3, 1, 1)
        );
    }
}
