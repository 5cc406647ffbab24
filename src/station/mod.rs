//! The instruments of one place, opened and owned together, and the guard that stands over the source.
//!
//! Opening a station takes the locks on its instruments, starts a keeper, switches the source off before anything
//! else is said to it, and puts every emission that a crash left open in the log to rest. The guard is the only
//! way to an output that is on.

mod alone;
mod apart;
mod clamp;
mod guard;
mod interlock;
mod keeper;
mod lock;
mod output;
mod placement;
mod run_folder;
mod sealed;

use std::path::PathBuf;
use std::sync::Arc;
use std::time::Duration;

use jiff::Timestamp;
use tokio_util::sync::CancellationToken;

use crate::config::{self, Address, InstrumentEntry, Words};
use crate::instrument::{
    Handle, Held, InstrumentError, PowerMonitor, Receiver, ReceiverSettings, Source,
};
use crate::link::{Exclusive, Framing, link};
use crate::quantity::{Frequency, Time};
use crate::store::{EmissionEnd, Instruments, Store, StoreError};

pub use alone::LoneReceiver;
pub use clamp::{Allowed, HeldBackBy, allowed, allowed_anywhere};
pub use guard::{EmissionRequest, Emitted, Guard};
pub use interlock::InterlockState;
pub use keeper::{KeeperFault, StopCall, StopReport, Stopped, keep, stop, stop_owner};
pub use lock::{InstrumentLock, Owner, owner, owners, user};
pub use output::{Output, Transmitting};
pub use placement::{Placement, State, place_by_command};
pub use run_folder::run_folder;

/// Why a station could not do something.
#[derive(Debug, thiserror::Error)]
pub enum StationError {
    /// An instrument failed.
    #[error(transparent)]
    Instrument(#[from] InstrumentError),
    /// The emission log cannot be written, so nothing may be emitted.
    #[error("nothing is emitted that cannot be logged: {0}")]
    Log(Box<StoreError>),
    /// A protected band without a permission.
    #[error(
        "{frequency} lies in the protected band `{band}`; nothing was emitted. Name the permission in the plan, or leave the frequency out"
    )]
    Protected {
        /// Where.
        frequency: Frequency,
        /// Whose.
        band: String,
    },
    /// The output was on for as long as the station allows.
    #[error(
        "the output was switched off after {after}, the longest the station allows for one emission; raise `emission_max` in [safety], or make the sweeps shorter"
    )]
    TooLong {
        /// The station's limit.
        after: Time,
    },
    /// Somebody asked to stop.
    #[error("stopped")]
    Stopped,
    /// Somebody asked to stop from another process.
    #[error("stopped by {who}")]
    Called {
        /// Who.
        who: String,
    },
    /// The measuring hangs.
    #[error(
        "the output was switched off because the measuring gave no sign of life for {after} (`beat_max` in [safety]); what was read before is kept"
    )]
    NoBeat {
        /// The station's limit.
        after: Time,
    },
    /// The interlock is open.
    #[error(
        "the interlock is open ({reason}): the output is off and stays off; close it and go on with the run"
    )]
    Interlock {
        /// What was seen.
        reason: String,
    },
    /// Without a keeper nothing is emitted.
    #[error("nothing is emitted without a keeper beside this process: {0}")]
    Keeper(KeeperFault),
    /// The keeper ended while the output was on.
    #[error("the keeper beside this process ended, so the output was switched off")]
    KeeperGone,
    /// Another hand than the procedure's was at the output.
    #[error("the output was switched off meanwhile: {why}; the reading is thrown away")]
    Interfered {
        /// Why.
        why: String,
    },
    /// Another process owns an instrument.
    #[error(
        "the {role} at {address} is in use by {}; wait until it is done, or stop it with `muffle stop`", match owner { Some(owner) => owner.to_string(), None => "another process".to_owned() }
    )]
    Owned {
        /// `source` or `receiver`.
        role: &'static str,
        /// Its address.
        address: String,
        /// Whose it is, where that can be read.
        owner: Option<Box<Owner>>,
    },
    /// Source and receiver behind one address.
    #[error(
        "source and receiver are both at {address}: on one connection a sweep would hold up `output off`, and a reset of the one would undo the other. Give each an address of its own (a second port, or HiSLIP beside the raw socket)"
    )]
    OneAddress {
        /// Where.
        address: String,
    },
    /// The lock on an instrument cannot be had.
    #[error(
        "cannot lock the instrument by {}: {cause}; the folder must be writable for you and not for everybody; MUFFLE_RUN_DIR names another", path.display()
    )]
    Lock {
        /// The lock's file.
        path: PathBuf,
        /// What the system said.
        cause: std::io::Error,
    },
    /// The file of a lock is not the one that was locked.
    #[error(
        "the lock on the instrument was removed or replaced while it was held ({}): another process may use it too, so nothing is emitted; keep programs that clean folders away from it, and start again", path.display()
    )]
    LockLost {
        /// The lock's file.
        path: PathBuf,
    },
    /// Somebody emits by a station that was closed.
    #[error(
        "the station is closed: its instruments are not locked any more, so nothing is emitted"
    )]
    Closed,
    /// The receiver did not come back after the item was opened.
    #[error(
        "the receiver that was armed is not to be found after {after} (looked at {looked}); connect it, give `found_at` in [receiver] if its device name changes, and go on with the run: the closing is repeated"
    )]
    ReceiverAway {
        /// Where.
        looked: String,
        /// For how long.
        after: Time,
    },
    /// Neither the receiver nor the plan says how long a sweep takes, which the plan's own check refuses.
    #[error("nobody says how long a sweep of the receiver takes; give `sweep_time` in the plan")]
    NoSweepTime,
    /// The placement command failed.
    #[error("placing {placement}: `{command}` {reason}")]
    Placement {
        /// What was to be placed.
        placement: String,
        /// The command.
        command: String,
        /// How it failed.
        reason: String,
    },
    /// The threads of the stations cannot be started, or what ran there has failed.
    #[error("the threads on which stations are watched fail: {0}; nothing is emitted without them")]
    Threads(String),
    /// A driver of the wrong role, which the station file's own check refuses.
    #[error("the driver `{driver}` is not for a {role}")]
    WrongRole {
        /// Its name.
        driver: String,
        /// What it was wanted for.
        role: &'static str,
    },
}

impl From<KeeperFault> for StationError {
    fn from(fault: KeeperFault) -> Self {
        match fault {
            KeeperFault::Called { who } => Self::Called { who },
            fault => Self::Keeper(fault),
        }
    }
}

impl From<StoreError> for StationError {
    fn from(error: StoreError) -> Self {
        Self::Log(Box::new(error))
    }
}

/// Who answered at the addresses of the station.
#[derive(Debug, Clone, PartialEq, Eq, serde::Serialize)]
pub struct Identities {
    /// The source's answer.
    pub source: String,
    /// The receiver's answer; empty where it is a recorder's.
    pub receiver: String,
    /// The power monitor's answer, where there is one.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub power_monitor: Option<String>,
}

impl Identities {
    /// What names the instruments themselves, without their firmware.
    pub fn without_firmware(&self) -> Self {
        let instrument = |name: &str| config::Identity::of(name).instrument();
        Self {
            source: instrument(&self.source),
            receiver: instrument(&self.receiver),
            power_monitor: self.power_monitor.as_deref().map(instrument),
        }
    }

    /// As they are kept with a run.
    pub fn instruments(&self) -> Instruments {
        let known = |name: &String| (!name.is_empty()).then(|| name.clone());
        Instruments {
            source: known(&self.source),
            receiver: known(&self.receiver),
            power_monitor: self.power_monitor.clone(),
        }
    }
}

/// What a process that opens a station brings along.
#[derive(Debug, Clone)]
pub struct Opening {
    /// The program that is started as the keeper: this one, or in a test the one that is tested.
    pub keeper: PathBuf,
    /// How long the keeper goes on trying to reach a source that does not answer.
    pub trying_max: Duration,
}

impl Opening {
    /// The usual time that the keeper goes on trying: long enough to plug a cable in again.
    const TRYING_MAX: Duration = Duration::from_secs(600);

    /// With this program as the keeper.
    pub fn by_this_program() -> Self {
        // What runs, even when the file was replaced by a newer version meanwhile.
        let running = PathBuf::from("/proc/self/exe");
        let named = || std::env::current_exe().unwrap_or_else(|_| PathBuf::from("muffle"));
        Self::with_keeper(if running.exists() { running } else { named() })
    }

    /// With another program as the keeper, which must be this one in another file.
    pub fn with_keeper(keeper: impl Into<PathBuf>) -> Self {
        Self {
            keeper: keeper.into(),
            trying_max: Self::TRYING_MAX,
        }
    }
}

/// An open station: the source is off, both instruments are known and in their known state.
pub struct Station {
    /// The station file.
    pub config: Arc<config::Station>,
    /// Who answered.
    pub identities: Identities,
    /// Who owns it: this process.
    pub owner: Owner,
    guard: Guard,
    receiver: Handle<Receiver>,
    /// Whether the receiver is a recorder's, and not spoken to from here.
    recorder: bool,
    // Let go of last: what is below is dropped after what is above.
    _locks: Arc<Vec<InstrumentLock>>,
}

impl Station {
    /// Takes the locks, starts the keeper and opens the instruments: the source first, and off before anything
    /// else is asked of it.
    pub async fn open(
        config: config::Station,
        store: &Store,
        opening: &Opening,
    ) -> Result<Self, StationError> {
        Self::open_apart(config, true, store, opening).await
    }

    /// Everything that is started here goes on apart from whoever opens.
    async fn open_apart(
        config: config::Station,
        with_receiver: bool,
        store: &Store,
        opening: &Opening,
    ) -> Result<Self, StationError> {
        let (store, opening) = (store.clone(), opening.clone());
        apart::run(async move {
            let config = Arc::new(config);
            let mut kept = keep_source(&config, with_receiver, &store, &opening).await?;
            let receiver = match with_receiver {
                true => {
                    let source = Some(&config.source.address);
                    let (receiver, identity) = start_receiver(&config.receiver, source).await?;
                    let known = (&config.receiver.address, identity.as_str());
                    let lock = InstrumentLock::take_instrument("receiver", known, &kept.owner)?;
                    kept.locks.extend(lock);
                    (receiver, Some(identity))
                }
                // It opens its link when it is first spoken to, which it is not.
                false => {
                    let receiver = receiver(&config.receiver, &config.receiver.address)?;
                    (Handle::own("receiver", receiver), None)
                }
            };
            Ok(Self::watched(config, kept, receiver, &store).await)
        })
        .await
    }

    /// Whether the receiver is a recorder's: only the source is open here.
    pub fn has_recorder(&self) -> bool {
        self.recorder
    }

    /// With the guard in front of a source that is kept, and the interlock watched. A receiver that is a recorder's
    /// was not asked who it is.
    async fn watched(
        config: Arc<config::Station>,
        kept: KeptSource,
        (receiver, identity): (Handle<Receiver>, Option<String>),
        store: &Store,
    ) -> Self {
        let interlock = interlock::watch_over(config.interlock.as_ref(), &config.name, store).await;
        let locks = Arc::new(kept.locks);
        let guard = Guard::new(
            config.clone(),
            kept.source,
            store.clone(),
            kept.keeper,
            interlock,
            kept.monitor.as_ref().map(|(monitor, _)| monitor.clone()),
            Arc::downgrade(&locks),
        );
        Self {
            guard,
            receiver,
            recorder: identity.is_none(),
            identities: Identities {
                source: kept.identity,
                receiver: identity.unwrap_or_default(),
                power_monitor: kept.monitor.map(|(_, identity)| identity),
            },
            config,
            owner: kept.owner,
            _locks: locks,
        }
    }

    /// The one way to an output that is on, and always to one that is off.
    pub fn guard(&self) -> &Guard {
        &self.guard
    }

    /// Holds the peak and reads the trace; gives up as soon as `stop` is called.
    pub async fn hold(
        &self,
        settings: ReceiverSettings,
        stop: &CancellationToken,
    ) -> Result<Held, StationError> {
        let held = self
            .receiver
            .run(move |receiver| Box::pin(async move { receiver.hold(&settings).await }));
        // Every exchange with the receiver has a deadline of its own, however long the sweep.
        let held = self.guard.alive(held);
        tokio::select! {
            held = held => Ok(held?),
            () = stop.cancelled() => Err(StationError::Stopped),
        }
    }

    /// Puts both instruments into their known state again, the source off, after a fault on the wire.
    pub async fn restart(&self) -> Result<(), StationError> {
        let wanted = self.config.source.identity.clone();
        self.guard
            .source()
            .run(move |source| Box::pin(async move { source.start(wanted.as_ref()).await }))
            .await?;
        if let (Some(monitor), Some(config)) = (self.guard.monitor(), &self.config.power_monitor) {
            let wanted = config.entry.identity.clone();
            monitor
                .run(move |it| Box::pin(async move { it.start(wanted.as_ref()).await }))
                .await?;
        }
        if self.recorder {
            return Ok(());
        }
        let wanted = self.config.receiver.identity.clone();
        self.receiver
            .run(move |receiver| Box::pin(async move { receiver.start(wanted.as_ref()).await }))
            .await?;
        Ok(())
    }

    /// Looks whether both instruments still answer; the source is switched off, and seen to be, while that is
    /// asked. The error comes with the instrument that does not.
    pub async fn present(&self) -> Result<(), (&'static str, StationError)> {
        self.guard.off().await.map_err(|error| ("source", error))?;
        if self.recorder {
            return Ok(());
        }
        let answered = self
            .receiver
            .run(|receiver| Box::pin(async move { receiver.present().await }))
            .await;
        answered
            .map(drop)
            .map_err(|error| ("receiver", error.into()))
    }

    /// Gives the receiver's own lock back, where its driver takes one.
    async fn release(receiver: Handle<Receiver>) {
        let released = receiver
            .run(|receiver| Box::pin(async move { receiver.release().await }))
            .await;
        if let Err(error) = released {
            tracing::warn!(%error, "the receiver's lock could not be given back; it goes with the connection");
        }
    }

    /// Round trips so far, of source and receiver.
    pub async fn trips(&self) -> Result<(u64, u64), StationError> {
        let source = self
            .guard
            .source()
            .run(|source| Box::pin(async move { Ok(source.trips()) }))
            .await?;
        let receiver = self
            .receiver
            .run(|receiver| Box::pin(async move { Ok(receiver.trips()) }))
            .await?;
        Ok((source, receiver))
    }
}

impl Drop for Station {
    fn drop(&mut self) {
        let locks = match &self.config.receiver.driver.words {
            Words::Receiver(words) => words.lock.is_some() && !self.recorder,
            Words::Source(_) | Words::PowerMonitor(_) => false,
        };
        // Where there is no runtime any more, the connection is closed, and the lock goes with it.
        if locks && let Ok(runtime) = tokio::runtime::Handle::try_current() {
            runtime.spawn(Self::release(self.receiver.clone()));
        }
    }
}

/// A source that is locked, kept, off, and known.
struct KeptSource {
    source: Handle<Source>,
    identity: String,
    keeper: keeper::Keeper,
    owner: Owner,
    locks: Vec<InstrumentLock>,
    /// The power monitor and who it is, where there is one.
    monitor: Option<(Handle<PowerMonitor>, String)>,
}

/// Takes the locks, starts the keeper, switches the source off and settles the log.
async fn keep_source(
    config: &Arc<config::Station>,
    with_receiver: bool,
    store: &Store,
    opening: &Opening,
) -> Result<KeptSource, StationError> {
    // A name may have to be looked up, which blocks.
    let of = config.clone();
    let taken = tokio::task::spawn_blocking(move || take_locks(&of, with_receiver)).await;
    let (owner, mut locks) = taken.map_err(|error| StationError::Threads(error.to_string()))??;
    let before = locks.first().and_then(|lock| lock.before.as_ref());
    let charge = keeper::Charge {
        store: std::path::absolute(store.path()).unwrap_or_else(|_| store.path().to_owned()),
        socket: owner.socket.clone().unwrap_or_default(),
        before: before.and_then(|owner| owner.socket.clone()),
        ..keeper::Charge::of(config, opening.trying_max)
    };
    let keeper = keeper::Keeper::start(opening.keeper.clone(), charge).await?;
    let mut source = source(&config.source)?;
    if before.is_some() {
        source.follows_a_killed_one();
    }
    let source = Handle::own("source", source);
    let wanted = config.source.identity.clone();
    let started = source
        .run(move |source| Box::pin(async move { source.start(wanted.as_ref()).await }))
        .await;
    let identity = match started {
        Ok(identity) => identity,
        Err(error) => {
            tracing::error!(%error, "the source could not be started");
            return Err(error.into());
        }
    };
    let known = (&config.source.address, identity.as_str());
    locks.extend(InstrumentLock::take_instrument("source", known, &owner)?);
    keeper.rest().await?;
    settle_log(&config.name, store).await?;
    let monitor = match &config.power_monitor {
        Some(monitor) => {
            let started = start_monitor(&monitor.entry).await?;
            let known = (&monitor.entry.address, started.1.as_str());
            locks.extend(InstrumentLock::take_instrument(
                "power monitor",
                known,
                &owner,
            )?);
            Some(started)
        }
        None => None,
    };
    Ok(KeptSource {
        source,
        identity,
        keeper,
        owner,
        locks,
        monitor,
    })
}

/// The lock on the source and, unless it is a recorder's, on the receiver, and this process as their owner.
fn take_locks(
    config: &config::Station,
    with_receiver: bool,
) -> Result<(Owner, Vec<InstrumentLock>), StationError> {
    let owner = Owner {
        socket: Some(lock::socket_path(&config.source.address)),
        ..Owner::this_process(&config.name)
    };
    let take = |role, entry: &InstrumentEntry| InstrumentLock::take(role, &entry.address, &owner);
    let (source, receiver) = (&config.source.address, &config.receiver.address);
    if with_receiver && lock::is_one_place(source, receiver) {
        return Err(StationError::OneAddress {
            address: source.to_string(),
        });
    }
    let mut locks = vec![take("source", &config.source)?];
    if with_receiver {
        locks.push(take("receiver", &config.receiver)?);
    }
    if let Some(monitor) = &config.power_monitor {
        locks.push(take("power monitor", &monitor.entry)?);
    }
    Ok((owner, locks))
}

fn source(entry: &InstrumentEntry) -> Result<Source, StationError> {
    let driver = &entry.driver;
    match &driver.words {
        Words::Source(words) => {
            let mut link = link(&entry.address, Framing::from(&driver.dialect));
            link.hold_lock(Exclusive::WithThisMachine);
            Ok(Source::new(link, driver, words))
        }
        Words::Receiver(_) | Words::PowerMonitor(_) => Err(StationError::WrongRole {
            driver: driver.name.clone(),
            role: "source",
        }),
    }
}

/// The power monitor in its known state, and who it is.
async fn start_monitor(
    entry: &InstrumentEntry,
) -> Result<(Handle<PowerMonitor>, String), StationError> {
    let driver = &entry.driver;
    let Words::PowerMonitor(words) = &driver.words else {
        return Err(StationError::WrongRole {
            driver: driver.name.clone(),
            role: "power monitor",
        });
    };
    let mut link = link(&entry.address, Framing::from(&driver.dialect));
    link.hold_lock(Exclusive::Alone);
    let monitor = PowerMonitor::new(link, driver, words);
    let monitor = Handle::own("power monitor", monitor);
    let wanted = entry.identity.clone();
    let identity = monitor
        .run(move |it| Box::pin(async move { it.start(wanted.as_ref()).await }))
        .await?;
    Ok((monitor, identity))
}

/// The receiver in its known state, and who it is; looked for where else it may be when it is not at its
/// address.
async fn start_receiver(
    entry: &InstrumentEntry,
    but_not: Option<&Address>,
) -> Result<(Handle<Receiver>, String), StationError> {
    let mut first_error = None;
    for address in sealed::addresses(entry, but_not) {
        let receiver = Handle::own("receiver", receiver(entry, &address)?);
        let wanted = entry.identity.clone();
        let started = receiver
            .run(move |receiver| Box::pin(async move { receiver.start(wanted.as_ref()).await }))
            .await;
        match started {
            Ok(identity) => return Ok((receiver, identity)),
            Err(error) => first_error = first_error.or(Some(error)),
        }
    }
    Err(first_error
        .unwrap_or(InstrumentError::Gone {
            instrument: "receiver",
        })
        .into())
}

fn receiver(entry: &InstrumentEntry, address: &Address) -> Result<Receiver, StationError> {
    let driver = &entry.driver;
    match &driver.words {
        Words::Receiver(words) => {
            let mut link = link(address, Framing::from(&driver.dialect));
            link.hold_lock(Exclusive::Alone);
            Ok(Receiver::new(link, driver, words))
        }
        Words::Source(_) | Words::PowerMonitor(_) => Err(StationError::WrongRole {
            driver: driver.name.clone(),
            role: "receiver",
        }),
    }
}

/// Closes the emissions that a crash left open; the source has just been seen to be off.
async fn settle_log(station: &str, store: &Store) -> Result<(), StoreError> {
    for emission in store.open_emissions(station).await? {
        tracing::warn!(
            began = %emission.began,
            frequency_hz = emission.frequency_hz,
            "an earlier program ended while its output was on; it is off now"
        );
        store
            .end_emission(&EmissionEnd {
                id: emission.id,
                ended: Timestamp::now(),
                how: "the program ended while it was on; switched off at the next start".to_owned(),
            })
            .await?;
    }
    Ok(())
}
