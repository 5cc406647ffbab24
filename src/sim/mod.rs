//! The simulated bench: instruments that answer on real sockets and terminals, and the radio world
//! between them.
//!
//! It lets anyone run the whole job with nothing attached, and it is the truth that tests compare
//! against. It behaves like hardware, warts included, and everything in it is drawn from a seed. It is
//! reached by its sockets alone and shares nothing with the rest of the program but `quantity`.
//!
//! - `shielding`, `catalogue`: what an item truly does, and the items on the shelf
//! - `radio`: source, amplifier, antennas, path, stations of the neighbourhood
//! - `settings`, `analyzer`, `noise`, `video`: what is set, and sweeps, detectors, filters, hold, overload
//! - `station`: the station file that describes it
//! - `world`: all of that together, and its time
//! - `scpi`, `instrument`, `source`, `receiver`, `monitor`: what is said to it; `handheld`: a terser way
//! - `serve`, `pty`, `hislip`, `vxi11`: bytes; `control`: the port that moves the items, asks for the truth and breaks
//!   things, by the faults of `fault`

use std::net::{Ipv4Addr, SocketAddr};
use std::sync::{Arc, Mutex, MutexGuard, PoisonError};

use serde::{Deserialize, Serialize};
use tokio::net::TcpListener;
use tokio_util::sync::{CancellationToken, DropGuard};
use tokio_util::task::TaskTracker;

mod analyzer;
mod catalogue;
mod complex;
pub mod control;
#[cfg(test)]
mod coverage;
mod fault;
mod handheld;
mod hislip;
mod instrument;
mod monitor;
mod noise;
mod pty;
mod radio;
mod random;
mod receiver;
mod scpi;
mod serve;
mod settings;
mod shielding;
mod source;
mod station;
#[cfg(test)]
mod tests;
mod video;
mod vxi11;
mod world;

pub use shielding::{Cavity, Face, Item, Layer, Physics, Polarisation, Seam, Slot, true_se};

/// Why the bench does not start, or does not answer.
#[derive(Debug, thiserror::Error)]
pub enum SimError {
    /// A socket could not be opened.
    #[error("cannot listen on port {port}: {source}; choose another --port-base or leave it out")]
    Listen {
        /// The port, 0 for any.
        port: u16,
        /// What the system said.
        source: std::io::Error,
    },
    /// A pseudo-terminal could not be opened.
    #[error("cannot open a pseudo-terminal: {0}; is /dev/pts mounted?")]
    Terminal(std::io::Error),
    /// An option that makes no sense.
    #[error("{0}")]
    Option(String),
    /// The control port could not be reached or broke off.
    #[error(
        "control port of the simulated bench at {address}: {reason}; is `muffle sim` running there?"
    )]
    Control {
        /// Where.
        address: String,
        /// What happened.
        reason: String,
    },
    /// The bench refused what was asked of it.
    #[error("the simulated bench: {0}")]
    Refused(String),
}

/// Ports after the first one that the bench takes.
const PORTS: u16 = 7;

/// How simulated time relates to real time.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Pace {
    /// Sweeps and settling advance a virtual clock; nobody waits.
    AtOnce,
    /// Simulated time runs this many times faster than real time.
    Times(f64),
}

/// How the bench is to be.
#[derive(Debug, Clone, PartialEq)]
pub struct BenchOptions {
    /// All errors, noise and stations follow from it.
    pub seed: u64,
    /// Simulated against real time.
    pub pace: Pace,
    /// Source, receiver and control take this port and the two after it, then HiSLIP and VXI-11 of the
    /// source, HiSLIP and VXI-11 of the receiver, and the power monitor; any free ones when `None`.
    pub port_base: Option<u16>,
    /// The TCP instruments accept one client at a time.
    pub one_client: bool,
    /// Draw broadcast stations.
    pub ambient: bool,
    /// What differs from one placement to the next.
    pub errors: PlacementErrors,
}

/// What differs between readings of the same item although nobody meant it to.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct PlacementErrors {
    /// Standard deviation of what each closing changes, dB.
    pub closing_sd_db: f64,
    /// What the position of antennas and item changes at most from that of the open path, dB, drawn when an item, a
    /// face or a polarisation is placed and kept until another is.
    pub position_db: f64,
    /// Standing wave ratio of the receive antenna; the phase is another in each placement.
    pub antenna_vswr: f64,
    /// Standing wave ratio of the receiver.
    pub receiver_vswr: f64,
}

impl PlacementErrors {
    /// None: every placement is the same.
    pub const NONE: Self = Self {
        closing_sd_db: 0.0,
        position_db: 0.0,
        antenna_vswr: 1.0,
        receiver_vswr: 1.0,
    };
}

impl Default for PlacementErrors {
    fn default() -> Self {
        Self {
            closing_sd_db: 0.2,
            position_db: 0.5,
            antenna_vswr: 1.5,
            receiver_vswr: 1.2,
        }
    }
}

impl Default for BenchOptions {
    fn default() -> Self {
        Self {
            seed: 1,
            pace: Pace::AtOnce,
            port_base: None,
            one_client: false,
            ambient: true,
            errors: PlacementErrors::default(),
        }
    }
}

impl BenchOptions {
    /// A bench whose placements are all the same, for what is about the reading itself.
    pub fn exact() -> Self {
        Self {
            errors: PlacementErrors::NONE,
            ..Self::default()
        }
    }
}

/// Where the bench can be reached.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct Addresses {
    /// The signal source.
    pub source: SourceAddresses,
    /// The one receiver, by its ports.
    pub receiver: ReceiverAddresses,
    /// The power monitor at the amplifier's output, SCPI over a raw socket.
    pub power_monitor: String,
    /// The control port.
    pub control: String,
}

/// Where the source can be reached.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct SourceAddresses {
    /// SCPI over a raw socket.
    pub tcp: String,
    /// SCPI over HiSLIP.
    pub hislip: String,
    /// SCPI over VXI-11, without a portmapper.
    pub vxi11: String,
    /// SCPI over a terminal.
    pub serial: String,
}

/// Where the receiver can be reached.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct ReceiverAddresses {
    /// SCPI over a raw socket.
    pub tcp: String,
    /// SCPI over HiSLIP.
    pub hislip: String,
    /// SCPI over VXI-11, without a portmapper.
    pub vxi11: String,
    /// SCPI over a terminal.
    pub serial: String,
    /// The terse shell over a terminal.
    pub handheld: String,
}

/// What all parts of the running bench share.
#[derive(Debug)]
struct Shared {
    world: Mutex<world::World>,
    tables: instrument::Tables,
    stop: CancellationToken,
    tasks: TaskTracker,
    one_client: bool,
}

impl Shared {
    /// The world, held for one step and never across an await.
    fn world(&self) -> MutexGuard<'_, world::World> {
        self.world.lock().unwrap_or_else(PoisonError::into_inner)
    }
}

/// A running bench. Dropping it stops it too, without waiting.
#[derive(Debug)]
pub struct Bench {
    shared: Arc<Shared>,
    addresses: Addresses,
    options: BenchOptions,
    _stop_on_drop: DropGuard,
}

impl Bench {
    /// Where to reach it.
    pub fn addresses(&self) -> &Addresses {
        &self.addresses
    }

    /// Runs until `stop` is done or the control port was told to stop.
    pub async fn run_until(self, stop: impl Future<Output = ()>) {
        tokio::select! {
            () = stop => {}
            () = self.shared.stop.cancelled() => {}
        }
        self.shutdown().await;
    }

    /// Closes all sockets and terminals and waits until they are closed.
    pub async fn shutdown(self) {
        self.shared.stop.cancel();
        self.shared.tasks.close();
        self.shared.tasks.wait().await;
    }
}

/// Opens all sockets and terminals on this machine alone and serves them.
///
/// # Errors
/// A port that is taken, no pseudo-terminals, or an option that makes no sense.
pub async fn start(options: BenchOptions) -> Result<Bench, SimError> {
    check(&options)?;
    let port = |offset| options.port_base.map_or(0, |base| base + offset);
    let source = listen(port(0)).await?;
    let receiver = listen(port(1)).await?;
    let control = listen(port(2)).await?;
    let source_hislip = listen(port(3)).await?;
    let source_vxi11 = listen(port(4)).await?;
    let receiver_hislip = listen(port(5)).await?;
    let receiver_vxi11 = listen(port(6)).await?;
    let power_monitor = listen(port(7)).await?;
    let source_serial = pty::Pty::open().map_err(SimError::Terminal)?;
    let serial = pty::Pty::open().map_err(SimError::Terminal)?;
    let handheld = pty::Pty::open().map_err(SimError::Terminal)?;
    let addresses = Addresses {
        source: SourceAddresses {
            tcp: tcp_address(&source)?,
            hislip: hislip_address(&source_hislip)?,
            vxi11: vxi11_address(&source_vxi11)?,
            serial: source_serial.address(),
        },
        receiver: ReceiverAddresses {
            tcp: tcp_address(&receiver)?,
            hislip: hislip_address(&receiver_hislip)?,
            vxi11: vxi11_address(&receiver_vxi11)?,
            serial: serial.address(),
            handheld: handheld.address(),
        },
        power_monitor: tcp_address(&power_monitor)?,
        control: tcp_address(&control)?,
    };
    let stop = CancellationToken::new();
    let shared = Arc::new(Shared {
        world: Mutex::new(world::World::new(&options)),
        tables: instrument::Tables::new(),
        stop: stop.clone(),
        tasks: TaskTracker::new(),
        one_client: options.one_client,
    });
    let terminals = serve::Terminals {
        source: serve::terminal(&shared, world::Port::SourceSerial, source_serial),
        serial: serve::terminal(&shared, world::Port::Serial, serial),
        handheld: serve::terminal(&shared, world::Port::Handheld, handheld),
    };
    serve::instrument(&shared, world::Port::Source, source);
    serve::instrument(&shared, world::Port::Receiver, receiver);
    serve::instrument(&shared, world::Port::PowerMonitor, power_monitor);
    hislip::instrument(&shared, world::Port::Source, source_hislip);
    vxi11::instrument(&shared, world::Port::Source, source_vxi11);
    hislip::instrument(&shared, world::Port::Receiver, receiver_hislip);
    vxi11::instrument(&shared, world::Port::Receiver, receiver_vxi11);
    control::serve(&shared, terminals, control);
    Ok(Bench {
        shared,
        addresses,
        options,
        _stop_on_drop: stop.drop_guard(),
    })
}

/// How much slower and faster than real time simulated time may run.
const PACE: std::ops::RangeInclusive<f64> = 1e-6..=1e6;

fn check(options: &BenchOptions) -> Result<(), SimError> {
    if let Pace::Times(factor) = options.pace
        && !PACE.contains(&factor)
    {
        let said = format!("the pace is {factor} times real time; it must be 1e-6 to 1e6");
        return Err(SimError::Option(said));
    }
    let PlacementErrors {
        closing_sd_db,
        position_db,
        antenna_vswr,
        receiver_vswr,
    } = options.errors;
    let least = [
        (closing_sd_db, 0.0),
        (position_db, 0.0),
        (antenna_vswr, 1.0),
        (receiver_vswr, 1.0),
    ];
    if !least
        .iter()
        .all(|(value, least)| value.is_finite() && value >= least)
    {
        let said = format!(
            "{:?}: decibels must be 0 or more, standing wave ratios 1 or more",
            options.errors
        );
        return Err(SimError::Option(said));
    }
    match options.port_base {
        Some(base) if base == 0 || base > u16::MAX - PORTS => {
            let said = format!("port base {base}: it must be 1 to {}", u16::MAX - PORTS);
            Err(SimError::Option(said))
        }
        _ => Ok(()),
    }
}

async fn listen(port: u16) -> Result<TcpListener, SimError> {
    let address = SocketAddr::from((Ipv4Addr::LOCALHOST, port));
    let bound = TcpListener::bind(address).await;
    bound.map_err(|source| SimError::Listen { port, source })
}

fn socket_address(listener: &TcpListener) -> Result<SocketAddr, SimError> {
    let address = listener.local_addr();
    address.map_err(|source| SimError::Listen { port: 0, source })
}

fn tcp_address(listener: &TcpListener) -> Result<String, SimError> {
    Ok(format!("tcp://{}", socket_address(listener)?))
}

fn hislip_address(listener: &TcpListener) -> Result<String, SimError> {
    Ok(format!("hislip://{}/hislip0", socket_address(listener)?))
}

fn vxi11_address(listener: &TcpListener) -> Result<String, SimError> {
    let address = socket_address(listener)?;
    let (ip, port) = (address.ip(), address.port());
    Ok(format!("vxi11://{ip}/inst0?port={port}"))
}
