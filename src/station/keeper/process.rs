//! The far end: the keeper's own process.

use std::time::Duration;

use jiff::Timestamp;
use tokio::io::{AsyncRead, AsyncWrite, BufReader};
use tokio::sync::{mpsc, oneshot};
use tokio::task::JoinHandle;
use tokio::time::Instant;

use super::control::{self, Asked, Question};
use super::words::{Charge, FromKeeper, ToKeeper, hear, say};
use crate::config::Words;
use crate::instrument::Source;
use crate::link::{Exclusive, Framing, link};
use crate::store::{EmissionEnd, Store};

/// What the process is allowed beyond its own limit for a beat before the keeper acts: it should act first.
const GRACE: Duration = Duration::from_secs(1);
/// How long the process may take to obey a call to stop before the keeper goes to the source itself.
const OBEY_MAX: Duration = Duration::from_millis(60);
/// How long it may take to ask the source, while nothing is on, before the keeper does so itself.
const ASK_MAX: Duration = Duration::from_secs(1);
/// The patience of the first attempt at the source; each further one has twice as much.
const ATTEMPT: Duration = Duration::from_millis(500);
/// The most patience of an attempt: a slow instrument behind a slow link.
const ATTEMPT_MAX: Duration = Duration::from_secs(20);
/// The wait after the first attempt; each further one is twice as long.
const WAIT: Duration = Duration::from_millis(10);
/// The longest wait between attempts.
const WAIT_MAX: Duration = Duration::from_secs(2);
/// While a process that was switched off does not own up to it, it is done again so often: it may go on.
const AGAIN: Duration = Duration::from_secs(1);
/// After the source of a process that is gone was seen off: how long to wait before each further off. The last thing
/// that the process said may still be under way (RFC 9293, 3.6: what was sent before a close is still delivered).
const LOOK_AGAIN: [Duration; 4] = [
    Duration::from_millis(100),
    Duration::from_millis(400),
    Duration::from_millis(1000),
    Duration::from_millis(2500),
];
/// How long each of these goes on trying: it may be switched off by then.
const LOOK_AGAIN_MAX: Duration = Duration::from_secs(2);
/// How long an attempt under way may take to end once the process itself has seen the output off.
const LET_END: Duration = Duration::from_secs(1);
/// How long a word to the process may take; a hung one does not empty its pipe.
const SAY_MAX: Duration = Duration::from_millis(100);
/// Questions of others that may wait.
const QUESTIONS_MAX: usize = 16;

/// The output, as far as the keeper knows.
#[derive(Debug, Clone, Copy)]
struct On {
    since: Instant,
    last_beat: Instant,
    longest: Duration,
    beat_max: Duration,
    /// When the keeper, who has seen it off, looks again.
    again: Option<Instant>,
}

impl On {
    /// When the keeper acts by itself.
    fn deadline(&self) -> Instant {
        let beat = self.last_beat + self.beat_max + GRACE;
        let late = beat.min(self.since + self.longest);
        self.again.unwrap_or(late)
    }

    fn why(&self) -> String {
        match self.last_beat + self.beat_max + GRACE < self.since + self.longest {
            true => format!(
                "the process gave no sign of life for {:.1} s",
                self.last_beat.elapsed().as_secs_f64()
            ),
            false => format!(
                "the output was on for {:.1} s and the process did not end it",
                self.since.elapsed().as_secs_f64()
            ),
        }
    }
}

/// Somebody who waits for the output to be off.
struct Waiter {
    answer: oneshot::Sender<Asked>,
    since: Instant,
}

/// Keeps the process at the other end of `from` and `to` until that end closes and nothing is on.
///
/// Answers with an error when it could not see the source off, in words for the log.
pub async fn keep(from: impl AsyncRead + Unpin, to: impl AsyncWrite + Unpin) -> Result<(), String> {
    let mut from = BufReader::new(from);
    let mut to = to;
    let mut partial = Vec::new();
    let charge = match hear(&mut from, &mut partial).await {
        Ok(Some(ToKeeper::Watch(charge))) => *charge,
        _ => return Err("it is started by the program itself, and by nobody else".to_owned()),
    };
    // A driver that cannot be read is known now, not when it is needed.
    if let Err(why) = source(&charge) {
        let _ = say(&mut to, &FromKeeper::Refused { why: why.clone() }).await;
        return Err(why);
    }
    let unsettled = control::relieve(charge.before.as_deref()).await;
    let (asks, questions) = mpsc::channel(QUESTIONS_MAX);
    let listening = control::listen(&charge.socket, asks).map_err(|error| {
        let path = charge.socket.display();
        format!("cannot listen at {path}: {error}; is the folder writable?")
    });
    let listening = match listening {
        Ok(listening) => listening,
        Err(why) => {
            let _ = say(&mut to, &FromKeeper::Refused { why: why.clone() }).await;
            return Err(why);
        }
    };
    let keeper = Watching {
        charge,
        to,
        on: None,
        unsettled,
        interfered: None,
        unheard: None,
        waiters: Vec::new(),
        attempt: None,
    };
    let ended = keeper.watch(from, partial, questions).await;
    listening.close();
    ended
}

struct Watching<W> {
    charge: Charge,
    to: W,
    on: Option<On>,
    /// The keeper before this one gave way before it had seen the source off.
    unsettled: bool,
    /// Why this keeper went to the source while the process lived.
    interfered: Option<String>,
    /// A call to stop that the process has not acknowledged.
    unheard: Option<String>,
    waiters: Vec<Waiter>,
    /// Somebody is at the source.
    attempt: Option<Attempt>,
}

type Attempt = JoinHandle<Result<(), String>>;

impl<W: AsyncWrite + Unpin> Watching<W> {
    async fn watch(
        mut self,
        mut from: BufReader<impl AsyncRead + Unpin>,
        mut partial: Vec<u8>,
        mut questions: mpsc::Receiver<Question>,
    ) -> Result<(), String> {
        self.say(FromKeeper::Watching).await;
        loop {
            let next = self.next_deadline();
            let attempt = async {
                match &mut self.attempt {
                    Some(attempt) => attempt.await,
                    None => std::future::pending().await,
                }
            };
            tokio::select! {
                word = hear(&mut from, &mut partial) => match word {
                    Ok(Some(word)) => self.take(word).await,
                    _ => break,
                },
                Some(question) = questions.recv() => self.answer(question).await,
                outcome = attempt => {
                    self.attempt = None;
                    self.seen(outcome.unwrap_or_else(given_up));
                }
                () = tokio::time::sleep_until(next) => self.act().await,
            }
        }
        self.alone(questions).await
    }

    async fn say(&mut self, word: FromKeeper) {
        // The process may be gone, which its pipe will tell.
        let _ = tokio::time::timeout(SAY_MAX, say(&mut self.to, &word)).await;
    }

    async fn take(&mut self, word: ToKeeper) {
        match word {
            ToKeeper::Watch(_) => {}
            ToKeeper::On { longest, beat_max } => {
                if let Some(who) = &self.unheard {
                    let why = who.clone();
                    return self.say(FromKeeper::Refused { why }).await;
                }
                let now = Instant::now();
                self.interfered = None;
                self.on = Some(On {
                    since: now,
                    last_beat: now,
                    longest,
                    beat_max,
                    again: None,
                });
                self.say(FromKeeper::Ready).await;
            }
            ToKeeper::Beat => {
                if let Some(on) = &mut self.on {
                    on.last_beat = Instant::now();
                }
            }
            ToKeeper::Rest => {
                self.on = None;
                self.unsettled = false;
                // An attempt must not reach into the next emission.
                if let Some(mut attempt) = self.attempt.take()
                    && tokio::time::timeout(LET_END, &mut attempt).await.is_err()
                {
                    attempt.abort();
                }
                let interfered = self.interfered.take();
                self.say(FromKeeper::Rested { interfered }).await;
                self.tell_waiters(|ms| Asked::off("the program", ms));
            }
            ToKeeper::Heard => self.unheard = None,
        }
    }

    /// When the keeper has to do something by itself.
    fn next_deadline(&self) -> Instant {
        let far = Instant::now() + Duration::from_secs(3600);
        if self.attempt.is_some() {
            return far;
        }
        let (late, obey_max) = match &self.on {
            Some(on) => (on.deadline(), OBEY_MAX),
            None => (far, ASK_MAX),
        };
        let obey = self.waiters.iter().map(|waiter| waiter.since + obey_max);
        obey.fold(late, Instant::min)
    }

    /// The process had its time: switch the output off without it.
    async fn act(&mut self) {
        self.attempt = Some(begin(&self.charge));
        // Somebody wants to know that an output is off that should be: nothing is interfered with.
        let Some(on) = &self.on else { return };
        if self.interfered.is_some() {
            return;
        }
        let why = match self.waiters.is_empty() {
            true => on.why(),
            false => "the process did not obey a call to stop".to_owned(),
        };
        let (station, pid) = (&self.charge.station, self.charge.pid);
        tracing::warn!(station, pid, why, "the keeper switches the output off");
        self.interfered = Some(why.clone());
        self.say(FromKeeper::Interfering { why }).await;
    }

    /// What came of going to the source while the process lived.
    fn seen(&mut self, outcome: Result<(), String>) {
        match outcome {
            Ok(()) => {
                tracing::info!(
                    station = self.charge.station,
                    "the keeper has seen the output off"
                );
                // Until the process owns up to it, it may go on at any moment with what it was about to do.
                if let Some(on) = &mut self.on {
                    on.again = Some(Instant::now() + AGAIN);
                }
                self.tell_waiters(|ms| Asked::off("the keeper", ms));
            }
            Err(why) => self.not_seen(why),
        }
    }

    fn not_seen(&mut self, why: String) {
        let station = &self.charge.station;
        tracing::error!(
            station,
            why,
            "THE SOURCE MAY STILL BE ON: switch it off by hand"
        );
        self.tell_waiters(|ms| Asked::not_seen(why.clone(), ms));
    }

    fn tell_waiters(&mut self, what: impl Fn(f64) -> Asked) {
        for waiter in self.waiters.drain(..) {
            let ms = waiter.since.elapsed().as_secs_f64() * 1e3;
            let _ = waiter.answer.send(what(ms));
        }
    }

    async fn answer(&mut self, question: Question) {
        match question {
            Question::Stop { who, answer } => {
                let waiter = Waiter {
                    answer,
                    since: Instant::now(),
                };
                if self.unheard.is_none() {
                    self.unheard = Some(who.clone());
                    self.say(FromKeeper::Stop { who }).await;
                }
                // Also while nothing is on: whoever calls is told what the source says, not what is remembered.
                self.waiters.push(waiter);
            }
            // The process lives, so its keeper stays.
            Question::GiveWay { answer } => drop(answer),
        }
    }

    /// The process is gone: nothing may stay on.
    async fn alone(mut self, mut questions: mpsc::Receiver<Question>) -> Result<(), String> {
        if self.on.is_none() && !self.unsettled {
            return Ok(());
        }
        let (station, pid) = (self.charge.station.clone(), self.charge.pid);
        tracing::warn!(
            station,
            pid,
            "the program ended while its output was on; its keeper switches the source off"
        );
        // One under way may wait for a connection that the process has just let go of.
        if let Some(attempt) = self.attempt.take() {
            attempt.abort();
        }
        let attempt = begin(&self.charge);
        match self.sees_off(attempt, &mut questions).await {
            None => return Ok(()),
            Some(Err(why)) => {
                self.not_seen(why.clone());
                return Err(why);
            }
            Some(Ok(())) => tracing::warn!(station, "the source was seen off"),
        }
        let closed = self.close_log().await;
        for wait in LOOK_AGAIN {
            let attempt = begin_after(wait, self.charge.trying_for(LOOK_AGAIN_MAX));
            match self.sees_off(attempt, &mut questions).await {
                None => break,
                Some(Ok(())) => {}
                Some(Err(why)) => {
                    tracing::warn!(station, why, "seen off, the source is not reached again");
                    break;
                }
            }
        }
        closed
    }

    /// What came of an attempt; none when another keeper takes over meanwhile.
    async fn sees_off(
        &mut self,
        mut attempt: Attempt,
        questions: &mut mpsc::Receiver<Question>,
    ) -> Option<Result<(), String>> {
        loop {
            tokio::select! {
                outcome = &mut attempt => {
                    let outcome = outcome.unwrap_or_else(given_up);
                    if outcome.is_ok() {
                        self.tell_waiters(|ms| Asked::off("the keeper", ms));
                    }
                    return Some(outcome);
                }
                Some(question) = questions.recv() => match question {
                    Question::Stop { answer, .. } => {
                        self.waiters.push(Waiter { answer, since: Instant::now() });
                    }
                    Question::GiveWay { answer } => {
                        let _ = answer.send(());
                        return None;
                    }
                },
            }
        }
    }

    /// Closes what the process left open in the emission log.
    async fn close_log(&self) -> Result<(), String> {
        let ended = Timestamp::now();
        let close = async {
            let store = Store::open(&self.charge.store).await?;
            for emission in store.open_emissions(&self.charge.station).await? {
                let how =
                    "the program ended while it was on; switched off by the keeper".to_owned();
                let id = emission.id;
                store.end_emission(&EmissionEnd { id, ended, how }).await?;
            }
            store.close().await;
            Ok::<(), crate::store::StoreError>(())
        };
        // The next start closes what is still open.
        close.await.map_err(|error| {
            format!("the source is off, but the emission log could not be closed: {error}")
        })
    }
}

/// Goes to the source in a task of its own.
fn begin(charge: &Charge) -> Attempt {
    begin_after(Duration::ZERO, charge.clone())
}

fn begin_after(wait: Duration, charge: Charge) -> Attempt {
    tokio::spawn(async move {
        tokio::time::sleep(wait).await;
        switch_off(&charge).await
    })
}

fn given_up(fault: tokio::task::JoinError) -> Result<(), String> {
    Err(format!(
        "a fault in the program ended the attempt ({fault})"
    ))
}

/// Switches the source off and sees that it is, on a new connection for every attempt.
pub(super) async fn switch_off(charge: &Charge) -> Result<(), String> {
    let begun = Instant::now();
    let (mut patience, mut wait) = (ATTEMPT, WAIT);
    loop {
        let mut source = source(charge)?;
        let wanted = charge.source()?.identity;
        let off = source.off_and_known(wanted.as_ref());
        let why = match tokio::time::timeout(patience, off).await {
            Ok(Ok(())) => return Ok(()),
            Ok(Err(error)) => error.to_string(),
            Err(_elapsed) => format!("no answer at {} within {patience:?}", charge.address),
        };
        if begun.elapsed() > charge.trying_max {
            let limit = charge.trying_max;
            return Err(format!("not seen off within {limit:?}; last: {why}"));
        }
        tracing::debug!(why, "the source is not seen off yet");
        tokio::time::sleep(wait).await;
        wait = (wait * 2).min(WAIT_MAX);
        patience = (patience * 2).min(ATTEMPT_MAX);
    }
}

fn source(charge: &Charge) -> Result<Source, String> {
    let entry = charge.source()?;
    match &entry.driver.words {
        Words::Source(words) => {
            let mut link = link(&entry.address, Framing::from(&entry.driver.dialect));
            link.hold_lock(Exclusive::WithThisMachine);
            Ok(Source::new(link, &entry.driver, words))
        }
        Words::Receiver(_) | Words::PowerMonitor(_) => Err(format!(
            "`{}` is no driver for a source",
            charge.driver_name
        )),
    }
}
