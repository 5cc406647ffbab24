//! Placing things: the station's own command, where it has one.

use std::fmt;
use std::process::{ExitStatus, Stdio};
use std::time::Duration;

use tokio::io::{AsyncReadExt, BufReader};
use tokio::process::Command;

use super::StationError;

/// The longest a placement command may take.
const PLACEMENT_MAX: Duration = Duration::from_secs(600);
/// How much of what a failing command said is shown.
const SAID_CHARACTERS_MAX: usize = 300;

/// How much of it is kept, bytes.
const SAID_BYTES_MAX: u64 = 4 << 10;

/// How far the item is closed.
#[derive(Debug, Clone, Copy, PartialEq, Eq, serde::Serialize, serde::Deserialize)]
#[serde(rename_all = "lowercase")]
pub enum State {
    /// Open, or not there: the receiver can be reached.
    Open,
    /// Closed, the receiver still within reach.
    Closed,
    /// Closed around the receiver, which is out of reach until the item is opened.
    Sealed,
}

impl State {
    /// The word for it.
    pub fn word(self) -> &'static str {
        match self {
            Self::Open => "open",
            Self::Closed => "closed",
            Self::Sealed => "sealed",
        }
    }
}

/// What stands before the antenna, and how.
#[derive(Debug, Clone, PartialEq, Eq, serde::Serialize, serde::Deserialize)]
pub struct Placement {
    /// The item's serial; none for the open path.
    pub item: Option<String>,
    /// The side that looks at the antenna.
    pub face: String,
    /// How the antennas stand.
    pub polarisation: String,
    /// Which closing of the item, from 1.
    pub repeat: u32,
    /// How far the item is closed.
    pub state: State,
}

impl fmt::Display for Placement {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match &self.item {
            Some(item) => write!(
                f,
                "{item}, {} towards the antenna, {}, {}",
                self.face,
                self.polarisation,
                self.state.word()
            ),
            None => write!(f, "the open path, {}", self.polarisation),
        }
    }
}

/// Runs the station's placement command. Its arguments reach it as they are; no shell is between.
pub async fn place_by_command(
    command: &[String],
    placement: &Placement,
) -> Result<(), StationError> {
    let words: Vec<String> = command.iter().map(|word| fill(word, placement)).collect();
    let failed = |reason: String| StationError::Placement {
        placement: placement.to_string(),
        command: words.join(" "),
        reason,
    };
    let Some((program, arguments)) = words.split_first() else {
        return Err(failed("is empty".to_owned()));
    };
    let running = run(program, arguments);
    let (status, said) = match tokio::time::timeout(PLACEMENT_MAX, running).await {
        Ok(Ok(ended)) => ended,
        Ok(Err(error)) => return Err(failed(format!("cannot be run: {error}"))),
        Err(_elapsed) => return Err(failed(format!("did not end within {PLACEMENT_MAX:?}"))),
    };
    if status.success() {
        return Ok(());
    }
    let said = String::from_utf8_lossy(&said);
    let said: String = said.trim().chars().take(SAID_CHARACTERS_MAX).collect();
    Err(failed(format!("ended with {status}: {said}")))
}

/// Runs a command to its end; answers with the beginning of what it complained of. However much more it says is read
/// and forgotten.
async fn run(program: &str, arguments: &[String]) -> std::io::Result<(ExitStatus, Vec<u8>)> {
    let mut child = Command::new(program)
        .args(arguments)
        .stdin(Stdio::null())
        .stdout(Stdio::null())
        .stderr(Stdio::piped())
        .kill_on_drop(true)
        .spawn()?;
    let mut said = Vec::new();
    if let Some(mut complaints) = child.stderr.take() {
        let beginning = (&mut complaints).take(SAID_BYTES_MAX);
        tokio::io::copy(&mut BufReader::new(beginning), &mut said).await?;
        tokio::io::copy(&mut complaints, &mut tokio::io::sink()).await?;
    }
    Ok((child.wait().await?, said))
}

fn fill(word: &str, placement: &Placement) -> String {
    // In one pass over the user's own text, so that a serial such as `{face}` is never filled in again.
    let mut filled = String::new();
    let mut rest = word;
    while let Some(open) = rest.find('{') {
        filled.push_str(&rest[..open]);
        let tail = &rest[open..];
        let value = [
            ("{item}", placement.item.clone().unwrap_or_default()),
            ("{face}", placement.face.clone()),
            ("{polarisation}", placement.polarisation.clone()),
            ("{repeat}", placement.repeat.to_string()),
            ("{state}", placement.state.word().to_owned()),
        ]
        .into_iter()
        .find(|(name, _)| tail.starts_with(name));
        match value {
            Some((name, value)) => {
                filled.push_str(&value);
                rest = &tail[name.len()..];
            }
            None => {
                filled.push('{');
                rest = &tail[1..];
            }
        }
    }
    filled.push_str(rest);
    filled
}

#[cfg(test)]
mod tests {
    use super::*;

    fn placement(item: &str) -> Placement {
        Placement {
            item: Some(item.to_owned()),
            face: "seam".into(),
            polarisation: "vertical".into(),
            repeat: 2,
            state: State::Closed,
        }
    }

    #[test]
    fn placeholders_are_filled_once() {
        assert_eq!(fill("--at={face}/{repeat}", &placement("x")), "--at=seam/2");
        assert_eq!(fill("{state}", &placement("x")), "closed");
        assert_eq!(fill("{item}", &placement("{face}\"; rm")), "{face}\"; rm");
        assert_eq!(fill("{other} {", &placement("x")), "{other} {");
    }

    #[tokio::test]
    async fn a_command_that_goes_on_talking_is_not_kept_in_memory() {
        let chatty = "head -c 50000000 /dev/zero; head -c 50000000 /dev/zero >&2; exit 1";
        let command = ["sh", "-c", chatty].map(str::to_owned);
        let said = place_by_command(&command, &placement("P-1")).await;
        let said = said.expect_err("exit 1").to_string();
        assert!(said.len() < 1000, "{} bytes", said.len());
        let ended = run("sh", &["-c".to_owned(), chatty.to_owned()]).await;
        assert!(ended.expect("ends").1.len() as u64 <= SAID_BYTES_MAX);
    }

    #[tokio::test]
    async fn a_failing_command_says_what_it_said() {
        let command = ["sh", "-c", "echo jammed >&2; exit 3"].map(str::to_owned);
        let said = place_by_command(&command, &placement("P-1"))
            .await
            .expect_err("exit 3")
            .to_string();
        assert!(said.contains("jammed") && said.contains("P-1"), "{said}");
    }
}
