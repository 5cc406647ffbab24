//! The near end: the keeper as the guard sees it.

use std::path::PathBuf;
use std::process::Stdio;
use std::time::Duration;

use jiff::Timestamp;
use tokio::io::BufReader;
use tokio::process::{Child, ChildStdin, ChildStdout, Command};
use tokio::sync::{mpsc, oneshot, watch};

use super::words::{Charge, FromKeeper, ToKeeper, hear, say};

/// How long a new keeper may take until it watches: a process has to start, on a busy machine.
const START_MAX: Duration = Duration::from_secs(10);
/// How long a keeper may take to answer; nothing is emitted after a longer silence.
const ANSWER_MAX: Duration = Duration::from_secs(3);
/// Requests that may wait for the keeper; there is one guard.
const REQUESTS_MAX: usize = 16;

/// Why there is no keeper.
#[derive(Debug, Clone, thiserror::Error)]
pub enum KeeperFault {
    /// It cannot be started.
    #[error("the keeper `{program}` cannot be started: {reason}")]
    Start {
        /// Which program.
        program: String,
        /// Why not.
        reason: String,
    },
    /// It has ended, or does not answer.
    #[error("the keeper does not answer ({reason})")]
    Gone {
        /// What is known of it.
        reason: String,
    },
    /// Somebody called for a stop just now.
    #[error("stopped by {who}")]
    Called {
        /// Who.
        who: String,
    },
}

/// A call to stop, from another process.
#[derive(Debug, Clone, PartialEq, Eq, serde::Serialize)]
pub struct StopCall {
    /// Who called.
    pub who: String,
    /// When it was heard here.
    pub at: Timestamp,
}

/// What the keeper has told without being asked.
#[derive(Debug, Clone, Default)]
pub struct Told {
    /// The last call to stop.
    pub stop: Option<StopCall>,
    /// Why it switches the output off by itself, since the last emission began.
    pub interfering: Option<String>,
    /// It has ended.
    pub gone: bool,
}

enum Request {
    On {
        longest: Duration,
        beat_max: Duration,
        answer: oneshot::Sender<Result<(), KeeperFault>>,
    },
    Beat,
    Rest {
        answer: oneshot::Sender<Result<Option<String>, KeeperFault>>,
    },
}

/// A cloneable handle to the keeper; the task behind it owns the process and starts a new one when it must.
#[derive(Clone)]
pub struct Keeper {
    requests: mpsc::Sender<Request>,
    told: watch::Receiver<Told>,
}

impl Keeper {
    /// Starts `program` as a keeper and waits until it watches.
    pub async fn start(program: PathBuf, charge: Charge) -> Result<Self, KeeperFault> {
        let process = Process::start(&program, &charge).await?;
        let (requests, queue) = mpsc::channel(REQUESTS_MAX);
        let (told, hears) = watch::channel(Told::default());
        let mut charge = charge;
        // One that takes its place takes nobody's place but its own.
        charge.before = None;
        let nurse = Nurse {
            program,
            charge,
            process: Some(process),
            told,
        };
        tokio::spawn(nurse.tend(queue));
        Ok(Self {
            requests,
            told: hears,
        })
    }

    /// Tells that the output is about to go on; only after this has answered may it.
    ///
    /// A keeper that has ended is replaced by a new one first.
    pub async fn on(&self, longest: Duration, beat_max: Duration) -> Result<(), KeeperFault> {
        self.ask(|answer| Request::On {
            longest,
            beat_max,
            answer,
        })
        .await
    }

    /// Tells that the output was seen off. Answers why the keeper had switched it off before, if it had.
    pub async fn rest(&self) -> Result<Option<String>, KeeperFault> {
        self.ask(|answer| Request::Rest { answer }).await
    }

    /// Passes a beat on; one that finds the queue full is not worth waiting for.
    pub fn beat(&self) {
        let _ = self.requests.try_send(Request::Beat);
    }

    /// What it has told.
    pub fn told(&self) -> watch::Receiver<Told> {
        self.told.clone()
    }

    async fn ask<R>(
        &self,
        request: impl FnOnce(oneshot::Sender<Result<R, KeeperFault>>) -> Request,
    ) -> Result<R, KeeperFault> {
        let gone = |_| KeeperFault::Gone {
            reason: "the task beside it has ended; see the log".to_owned(),
        };
        let (answer, answered) = oneshot::channel();
        let sent = self.requests.send(request(answer)).await;
        sent.map_err(|_| gone(()))?;
        answered.await.map_err(|_| gone(()))?
    }
}

/// One running keeper.
struct Process {
    // Reaped by the runtime when it ends; never killed by us unless it is of no use any more.
    child: Child,
    to: ChildStdin,
    from: BufReader<ChildStdout>,
    partial: Vec<u8>,
}

impl Process {
    async fn start(program: &PathBuf, charge: &Charge) -> Result<Self, KeeperFault> {
        let failed = |reason: String| KeeperFault::Start {
            program: program.display().to_string(),
            reason,
        };
        let mut child = Command::new(program)
            .arg("keeper")
            .stdin(Stdio::piped())
            .stdout(Stdio::piped())
            // A group of its own: Ctrl-C at the terminal is for the program, not for its keeper.
            .process_group(0)
            .spawn()
            .map_err(|error| failed(error.to_string()))?;
        let (Some(to), Some(from)) = (child.stdin.take(), child.stdout.take()) else {
            return Err(failed("it has no pipes".to_owned()));
        };
        let mut process = Self {
            child,
            to,
            from: BufReader::new(from),
            partial: Vec::new(),
        };
        let watching = async {
            let charge = ToKeeper::Watch(Box::new(charge.clone()));
            say(&mut process.to, &charge).await?;
            hear::<FromKeeper>(&mut process.from, &mut process.partial).await
        };
        match tokio::time::timeout(START_MAX, watching).await {
            Ok(Ok(Some(FromKeeper::Watching))) => Ok(process),
            Ok(Ok(Some(FromKeeper::Refused { why }))) => Err(failed(why)),
            Ok(Ok(_)) => Err(failed("it ended before it watched".to_owned())),
            Ok(Err(error)) => Err(failed(error.to_string())),
            Err(_elapsed) => Err(failed(format!("it did not watch within {START_MAX:?}"))),
        }
    }

    async fn say(&mut self, word: &ToKeeper) -> Result<(), KeeperFault> {
        let said = tokio::time::timeout(ANSWER_MAX, say(&mut self.to, word)).await;
        let reason = match said {
            Ok(Ok(())) => return Ok(()),
            Ok(Err(error)) => error.to_string(),
            Err(_elapsed) => format!("it took nothing for {ANSWER_MAX:?}"),
        };
        Err(KeeperFault::Gone { reason })
    }
}

/// Owns the keeper's process.
struct Nurse {
    program: PathBuf,
    charge: Charge,
    process: Option<Process>,
    told: watch::Sender<Told>,
}

impl Nurse {
    async fn tend(mut self, mut queue: mpsc::Receiver<Request>) {
        loop {
            let heard = async {
                match &mut self.process {
                    Some(process) => hear(&mut process.from, &mut process.partial).await,
                    None => std::future::pending().await,
                }
            };
            tokio::select! {
                request = queue.recv() => match request {
                    Some(request) => self.answer(request).await,
                    // The pipe closes with this task. At rest the keeper ends; else it knows what to do.
                    None => return,
                },
                heard = heard => match heard {
                    Ok(Some(word)) => { self.take_note(word).await; }
                    _ => self.lose(),
                },
            }
        }
    }

    async fn answer(&mut self, request: Request) {
        match request {
            Request::On {
                longest,
                beat_max,
                answer,
            } => {
                let ready = self.on(longest, beat_max).await;
                let _ = answer.send(ready);
            }
            Request::Beat => {
                let _ = self.tell(&ToKeeper::Beat).await;
            }
            Request::Rest { answer } => {
                let rested = match self.exchange(&ToKeeper::Rest).await {
                    Ok(FromKeeper::Rested { interfered }) => Ok(interfered),
                    Ok(other) => Err(unexpected(&other)),
                    Err(fault) => Err(fault),
                };
                let _ = answer.send(rested);
            }
        }
    }

    async fn on(&mut self, longest: Duration, beat_max: Duration) -> Result<(), KeeperFault> {
        let on = ToKeeper::On { longest, beat_max };
        self.told.send_modify(|told| told.interfering = None);
        let mut said = match &self.process {
            Some(_) => self.exchange(&on).await,
            None => Err(KeeperFault::Gone {
                reason: "it has ended".to_owned(),
            }),
        };
        if let Err(KeeperFault::Gone { reason }) = &said {
            tracing::warn!(
                reason,
                "the keeper is gone; starting another before anything is emitted"
            );
            self.lose();
            self.process = Some(Process::start(&self.program, &self.charge).await?);
            self.told.send_modify(|told| told.gone = false);
            said = self.exchange(&on).await;
        }
        match said? {
            FromKeeper::Ready => Ok(()),
            FromKeeper::Refused { why } => Err(KeeperFault::Called { who: why }),
            other => Err(unexpected(&other)),
        }
    }

    async fn tell(&mut self, word: &ToKeeper) -> Result<(), KeeperFault> {
        let gone = || KeeperFault::Gone {
            reason: "it has ended".to_owned(),
        };
        let said = self.process.as_mut().ok_or_else(gone)?.say(word).await;
        if said.is_err() {
            self.lose();
        }
        said
    }

    /// Says something and waits for its answer; what comes unasked in between is noted.
    async fn exchange(&mut self, word: &ToKeeper) -> Result<FromKeeper, KeeperFault> {
        self.tell(word).await?;
        let begun = tokio::time::Instant::now();
        loop {
            let Some(process) = &mut self.process else {
                return Err(KeeperFault::Gone {
                    reason: "it has ended".to_owned(),
                });
            };
            let left = ANSWER_MAX.saturating_sub(begun.elapsed());
            let heard = hear(&mut process.from, &mut process.partial);
            let reason = match tokio::time::timeout(left, heard).await {
                Ok(Ok(Some(word))) => match self.take_note(word).await {
                    Some(answer) => return Ok(answer),
                    None => continue,
                },
                Ok(Ok(None)) => "it has ended".to_owned(),
                Ok(Err(error)) => error.to_string(),
                Err(_elapsed) => format!("silent for {ANSWER_MAX:?}"),
            };
            self.lose();
            return Err(KeeperFault::Gone { reason });
        }
    }

    /// Notes what was told unasked; gives back what is an answer.
    async fn take_note(&mut self, word: FromKeeper) -> Option<FromKeeper> {
        match word {
            FromKeeper::Stop { who } => {
                let at = Timestamp::now();
                self.told
                    .send_modify(|told| told.stop = Some(StopCall { who, at }));
                let _ = self.tell(&ToKeeper::Heard).await;
                None
            }
            FromKeeper::Interfering { why } => {
                self.told.send_modify(|told| told.interfering = Some(why));
                None
            }
            answer => Some(answer),
        }
    }

    /// Gives the process up: a keeper that does not answer must not act later, over an emission of another.
    fn lose(&mut self) {
        if let Some(mut process) = self.process.take() {
            let _ = process.child.start_kill();
            self.told.send_modify(|told| told.gone = true);
        }
    }
}

fn unexpected(word: &FromKeeper) -> KeeperFault {
    KeeperFault::Gone {
        reason: format!("it answered {word:?}"),
    }
}
