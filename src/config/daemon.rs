//! The daemon's own file: how long it waits for people, how often it tries again, whom it tells.

use std::path::Path;
use std::time::Duration;

use super::document::{Document, Section};
use super::{ConfigError, Faults, read_file};
use crate::quantity::Time;

/// The longest a prompt may wait.
const PROMPT_MAX_S: f64 = 30.0 * 86_400.0;
/// The most automatic attempts after the first.
const RETRIES_MAX: u32 = 9;

/// How the daemon behaves. Everything has a default; the file may be empty or not there.
#[derive(Debug, Clone, PartialEq)]
pub struct Daemon {
    /// How long a job waits for hands before it is set aside.
    pub prompt_max: Time,
    /// How often a job that failed on the bench is begun again by itself.
    pub retries_max: u32,
    /// The wait before the first of these; each further one is twice as long.
    pub retry_wait: Time,
    /// How often an idle station looks whether its instruments are there.
    pub presence: Time,
    /// Told of prompts and of what went wrong.
    pub notify: Notify,
    /// Events older than this are removed.
    pub events_max_age: Time,
    /// Of the events at most so many are kept.
    pub events_max: u32,
}

/// Whom to tell of prompts and of what went wrong.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub struct Notify {
    /// An address that gets the news as JSON by POST.
    pub webhook: Option<String>,
    /// A command and its arguments; `{station}`, `{kind}` and `{text}` as arguments of their own are filled in, and no
    /// shell is between.
    pub command: Option<Vec<String>>,
}

impl Default for Daemon {
    fn default() -> Self {
        Self {
            prompt_max: seconds(8.0 * 3600.0),
            retries_max: 3,
            retry_wait: seconds(30.0),
            presence: seconds(30.0),
            notify: Notify::default(),
            events_max_age: seconds(90.0 * 86_400.0),
            events_max: 2_000_000,
        }
    }
}

impl Daemon {
    /// Reads the daemon's file.
    pub fn load(path: &Path) -> Result<Self, ConfigError> {
        let text = read_file(path)?;
        Ok(Self::read(&path.display().to_string(), &text)?)
    }

    /// Reads the text of such a file; `file` is only for the faults.
    pub fn read(file: &str, text: &str) -> Result<Self, Faults> {
        Document::read(file, text, |root| {
            let mut read = Self::default();
            root.section("queue", |section| {
                time(
                    section,
                    "prompt_max",
                    (0.001, PROMPT_MAX_S),
                    &mut read.prompt_max,
                );
                time(
                    section,
                    "retry_wait",
                    (0.001, 86_400.0),
                    &mut read.retry_wait,
                );
                time(section, "presence", (0.1, 86_400.0), &mut read.presence);
                let retries = section.checked("retries_max", Some(read.retries_max), |n: u32| {
                    match n <= RETRIES_MAX {
                        true => Ok(n),
                        false => Err(format!("must be from 0 to {RETRIES_MAX}, not {n}")),
                    }
                });
                read.retries_max = retries.unwrap_or(read.retries_max);
                Some(())
            });
            root.section("notify", |section| {
                read.notify = notify(section);
                Some(())
            });
            root.section("events", |section| {
                time(section, "max_age", (1.0, 1e10), &mut read.events_max_age);
                read.events_max = section.or("rows_max", read.events_max)?;
                Some(())
            });
            Some(read)
        })
    }
}

fn seconds(s: f64) -> Time {
    Time::from_duration(Duration::from_secs_f64(s))
}

/// A time between two limits, s.
fn time(
    section: &mut Section<'_, '_>,
    key: &'static str,
    (least, most): (f64, f64),
    value: &mut Time,
) {
    let read = section.checked(key, Some(*value), |time: Time| match time.s() {
        s if (least..=most).contains(&s) => Ok(time),
        _ => Err(format!(
            "must be from {} to {}",
            seconds(least),
            seconds(most)
        )),
    });
    *value = read.unwrap_or(*value);
}

fn notify(section: &mut Section<'_, '_>) -> Notify {
    let webhook: Option<String> = section.optional("webhook");
    let command: Option<Vec<String>> = section.optional("command");
    if let Some(address) = &webhook {
        let is_web = url::Url::parse(address)
            .is_ok_and(|url| matches!(url.scheme(), "http" | "https") && url.has_host());
        if !is_web {
            section.fault(
                "webhook",
                "must be an address that begins with http:// or https://",
            );
        }
    }
    if command.as_ref().is_some_and(Vec::is_empty) {
        section.fault("command", "is empty");
    }
    Notify { webhook, command }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn an_empty_file_is_the_defaults_and_every_fault_is_told() {
        assert_eq!(Daemon::read("d", "").expect("empty"), Daemon::default());
        let said = Daemon::read(
            "d.toml",
            "[queue]\nprompt_max = \"0 s\"\nretries_max = 99\n[notify]\nwebhook = \"nowhere\"\ncommand = []\nmail = \"\"\n",
        )
        .expect_err("five faults")
        .to_string();
        for word in [
            "prompt_max",
            "retries_max",
            "webhook",
            "command",
            "notify.mail",
        ] {
            assert!(said.contains(word), "{word}: {said}");
        }
    }

    #[test]
    fn what_is_written_counts() {
        let read = Daemon::read(
            "d.toml",
            "[queue]\nprompt_max = \"20 min\"\n[events]\nrows_max = 5\n[notify]\nwebhook = \"http://127.0.0.1:9/x\"\n",
        )
        .expect("right");
        assert_eq!(read.prompt_max.s(), 1200.0);
        assert_eq!(read.events_max, 5);
        assert!(read.notify.webhook.is_some());
    }
}
