//! The control port: what hands and eyes do at a real bench, and what tests need besides.
//!
//! TCP; one JSON object per line each way. The request names what to do in `"do"`:
//!
//! | request | answer |
//! |---|---|
//! | `{"do":"place","item":"P-0042","face":"front","polarisation":"vertical","closed":true}` | `{"placed":{…}}`; `item` null is open air; all but `item` may be left out; `"sealed":true` puts the receiver inside too: its ports hear nothing while the item is closed |
//! | `{"do":"truth","item":"P-0042","face":"front","polarisation":"vertical","frequency_hz":[1e8]}` | `{"true_se_db":[…]}` |
//! | `{"do":"items"}` | `{"items":[…]}` |
//! | `{"do":"define","item":{"serial":"X-1","physics":{"flat_se_db":60}}}` | `{"defined":"X-1"}` |
//! | `{"do":"ambient"}` | `{"stations":[…]}`; `"stations":[…]` replaces them all, `"plant":{"frequency_hz":…,"level_dbm":…,"deviation_hz":0}` adds one |
//! | `{"do":"advance","seconds":3600}` | `{"time_s":…}`; simulated time leaps forward |
//! | `{"do":"plant","faults":[{"fault":"source_trips","when":"on","ms":30}]}` | `{"planted":[…]}`, those that are not over; `"clear":true` first ends all |
//! | `{"do":"fault","on":"receiver",…}` | `{"done":true}`, or `{"address":"serial://…"}` after `replug` |
//! | `{"do":"state"}` | see `state` |
//! | `{"do":"stop"}` | `{"stopping":true}`, and the bench ends |
//!
//! `on` is `source` or `receiver` (raw socket, HiSLIP, VXI-11), `source_serial`, `serial`, `handheld` or `power_monitor`. What can go wrong, several at a
//! time: `"delay_ms":500` before each answer; `"silence":2` answers swallowed; once each `"drop":true`
//! (the connection closes instead of the next answer; not a terminal), `"garbage":true`, `"half_block":true`
//! (half of the next binary block, then silence), `"wrong_length":true` (the next trace is one point
//! short); `"errors":3` put into the queue at once; `"refuse":true` until `false`; `"power_cycle":true`
//! (its settings are forgotten; connections stay, as a terminal's would); `"identity":"…"`
//! (empty for its own); of a receiver `"compression_dbm":-30`, the level at its mixer that it shows a decibel too
//! low; `"pull":true` and `"replug":true` of a terminal; `"clear":true` first ends all
//! that was asked before. A request that cannot be met answers `{"error":"…"}`.
//!
//! What `plant` breaks makes numbers wrong and raises no error. A fault begins `"ms"` of simulated time after its
//! `"when"`: `now`, `on` (the output is switched on), `acknowledged` (the first answer of the source after that was given),
//! `sweep` (the first sweep after that is started) or `placed`; at the `"nth"` of these from now, and at `"times"` of them one after
//! the other. It ends after `"for_ms"` or `"until"` the output goes `off` or something else is `placed`; else it stays.
//!
//! | fault | what happens | who could know |
//! |---|---|---|
//! | `source_trips` | its output goes off, once | `OUTP?` |
//! | `source_reverse_power` | it stays off until mended | `OUTP?`, condition bit 1 |
//! | `source_dead` | nothing comes out | only what stands behind it |
//! | `source_level` `db` | its level is turned by that | `POW?` |
//! | `source_unlevelled` `db` | it gives so much less | condition bit 0 |
//! | `source_sags` `db`, `source_drifts` `db_per_s` | it gives less, at once or by and by | only what stands behind it |
//! | `source_tuned` `hz` | its frequency is turned by that | `FREQ?` |
//! | `source_slips` `hz` | it sends so far beside | the receiver, if it looks beside |
//! | `source_resets` | off, at its lowest level, with power-on status | `OUTP?`, `*ESR?` |
//! | `amplifier_trips`, `amplifier_sags` `db`, `transmit_cable` `db` | less at the coupler and beyond | the power monitor |
//! | `antenna_cable` `db`, `antenna_turned` `db` | less of the carrier in the air | the reference looked at again |
//! | `receive_cable` `db`, `receiver_deaf` `db` | less of everything, the analyzer's own noise as before | the reference looked at again |
//! | `receiver_clock` `ppm` | it shows everything so much too high in frequency | the reference, if it looks beside |
//! | `receiver_tuned` `hz` (by), `receiver_span` `hz` (to), `receiver_preamplifier` | another client's settings | its queries |
//! | `receiver_resets`, `receiver_stops`, `receiver_hold_restarts`, `receiver_hold_off` | power lost; sweeping stopped; what was held thrown away; not holding | its status and queries; the restart nobody |
//! | `receiver_swapped` `serial`, `db` | another analyzer on the next connection, the present one breaks | `*IDN?` |
//! | `attenuator_stuck` `db` | shows signal and noise so much higher | the floor; the reference looked at again |
//! | `resolution_adjusted` `hz`, `video_adjusted` `hz`, `other_detector` `detector` | whatever is asked for, it has this | its queries |
//! | `receiver_slow` `factor` | sweeps take so many times as long as they need | its query |
//! | `trace_unit` `unit`, `hidden` | traces in `DBUV`, `V` or `W` | `UNIT:POW?` unless hidden; the figures |
//! | `ambient` `frequency_hz`, `level_dbm` | a tone at the receive antenna | readings with the output off |
//! | `other_item` `item`, `lid_open` | there stands another item, or none (null); or it is not closed | eyes |

use std::sync::Arc;
use std::time::Duration;

use serde::Deserialize;
use serde_json::{Value, json};
use tokio::io::{AsyncBufReadExt, AsyncReadExt, AsyncWriteExt, BufReader};
use tokio::net::{TcpListener, TcpStream};
use tokio::sync::{mpsc, oneshot};

use super::analyzer::DAMAGE_DBM;
use super::fault::{Fault, Planted};
use super::instrument::reset;
use super::radio::{STATIONS_MAX, Station};
use super::scpi::{ScpiError, Status};
use super::serve::{Plug, Terminals};
use super::shielding::{Face, Item, Polarisation, true_se};
use super::world::{ITEMS_MAX, Placement, Port, Role, World};
use super::{Shared, SimError};
use crate::quantity::Frequency;

/// Longest request, bytes.
const REQUEST_MAX: u64 = 1024 * 1024;
/// Longest answer that the client takes, bytes.
const ANSWER_MAX: u64 = 16 * 1024 * 1024;
/// How long the client waits for an answer.
const PATIENCE: Duration = Duration::from_secs(30);
/// Most faults of the bench at a time.
const FAULTS_MAX: usize = 100;
/// Most frequencies in one question.
const FREQUENCIES_MAX: usize = 20_000;

#[derive(Debug, Deserialize)]
#[serde(tag = "do", rename_all = "lowercase")]
enum Request {
    Place(Place),
    Truth(Truth),
    Items,
    Define(Define),
    Ambient(Ambient),
    Advance(Advance),
    Fault(FaultRequest),
    Plant(Plant),
    State,
    Stop,
}

#[derive(Debug, Deserialize)]
#[serde(deny_unknown_fields)]
struct Place {
    item: Option<String>,
    #[serde(default = "front")]
    face: Face,
    #[serde(default = "vertical")]
    polarisation: Polarisation,
    #[serde(default = "yes")]
    closed: bool,
    #[serde(default)]
    sealed: bool,
}

#[derive(Debug, Deserialize)]
#[serde(deny_unknown_fields)]
struct Truth {
    item: Option<String>,
    #[serde(default = "front")]
    face: Face,
    #[serde(default = "vertical")]
    polarisation: Polarisation,
    frequency_hz: Vec<f64>,
}

#[derive(Debug, Deserialize)]
#[serde(deny_unknown_fields)]
struct Define {
    item: Item,
}

#[derive(Debug, Deserialize)]
#[serde(deny_unknown_fields)]
struct Ambient {
    stations: Option<Vec<StationRequest>>,
    plant: Option<StationRequest>,
}

#[derive(Debug, Deserialize)]
#[serde(deny_unknown_fields)]
struct StationRequest {
    frequency_hz: f64,
    level_dbm: f64,
    #[serde(default)]
    deviation_hz: f64,
}

#[derive(Debug, Deserialize)]
#[serde(deny_unknown_fields)]
struct Advance {
    seconds: f64,
}

#[derive(Debug, Deserialize)]
#[serde(deny_unknown_fields)]
struct Plant {
    #[serde(default)]
    clear: bool,
    #[serde(default)]
    faults: Vec<Planted>,
}

#[derive(Debug, Deserialize)]
#[serde(deny_unknown_fields)]
struct FaultRequest {
    on: String,
    #[serde(default)]
    clear: bool,
    delay_ms: Option<u64>,
    silence: Option<u32>,
    #[serde(default)]
    drop: bool,
    #[serde(default)]
    garbage: bool,
    #[serde(default)]
    half_block: bool,
    #[serde(default)]
    wrong_length: bool,
    errors: Option<u32>,
    refuse: Option<bool>,
    identity: Option<String>,
    compression_dbm: Option<f64>,
    #[serde(default)]
    power_cycle: bool,
    #[serde(default)]
    pull: bool,
    #[serde(default)]
    replug: bool,
}

fn front() -> Face {
    Face::Front
}
fn vertical() -> Polarisation {
    Polarisation::Vertical
}
fn yes() -> bool {
    true
}

/// Serves the control port.
pub(super) fn serve(shared: &Arc<Shared>, terminals: Terminals, listener: TcpListener) {
    let state = Arc::clone(shared);
    shared.tasks.spawn(async move {
        loop {
            let accepted = tokio::select! {
                () = state.stop.cancelled() => return,
                accepted = listener.accept() => accepted,
            };
            let Ok((stream, _)) = accepted else { continue };
            let (state, terminals) = (Arc::clone(&state), terminals.clone());
            let tasks = state.tasks.clone();
            tasks.spawn(async move {
                let stop = state.stop.clone();
                tokio::select! {
                    () = stop.cancelled() => {}
                    ended = talk(&state, &terminals, stream) => {
                        if let Err(error) = ended {
                            tracing::debug!(%error, "control client lost");
                        }
                    }
                }
            });
        }
    });
}

async fn talk(shared: &Shared, terminals: &Terminals, stream: TcpStream) -> std::io::Result<()> {
    stream.set_nodelay(true)?;
    let (reader, mut writer) = stream.into_split();
    let mut reader = BufReader::new(reader);
    loop {
        let mut line = Vec::new();
        let mut limited = (&mut reader).take(REQUEST_MAX);
        if limited.read_until(b'\n', &mut line).await? == 0 {
            return Ok(());
        }
        let complete = line.ends_with(b"\n");
        let (answer, stop) = match serde_json::from_slice(&line) {
            Ok(Request::Stop) => (Ok(json!({"stopping": true})), true),
            Ok(request) => (carry_out(shared, terminals, request).await, false),
            Err(error) => (Err(format!("not a request: {error}")), false),
        };
        let answer = answer.unwrap_or_else(|error| json!({ "error": error }));
        writer.write_all(format!("{answer}\n").as_bytes()).await?;
        if stop {
            shared.stop.cancel();
        }
        if !complete {
            return Ok(());
        }
    }
}

async fn carry_out(
    shared: &Shared,
    terminals: &Terminals,
    request: Request,
) -> Result<Value, String> {
    match request {
        Request::Fault(request) => fault(shared, terminals, request).await,
        Request::Plant(request) => plant(&mut shared.world(), request),
        Request::Place(request) => place(&mut shared.world(), request),
        Request::Truth(request) => truth(&shared.world(), &request),
        Request::Items => {
            let items: Vec<Item> = shared.world().items.values().cloned().collect();
            Ok(json!({ "items": items }))
        }
        Request::Define(request) => define(&mut shared.world(), request.item),
        Request::Ambient(request) => ambient(&mut shared.world(), request),
        Request::Advance(request) => {
            if !(0.0..=1e9).contains(&request.seconds) {
                return Err("`seconds` must be 0 to 1e9".into());
            }
            let mut world = shared.world();
            world.leap(request.seconds);
            Ok(json!({ "time_s": world.now_s() }))
        }
        Request::State => Ok(state(&mut shared.world())),
        Request::Stop => Ok(json!({ "stopping": true })),
    }
}

fn unknown(serial: &str) -> String {
    format!("there is no item `{serial}`; `items` lists them, `define` makes one")
}

fn place(world: &mut World, request: Place) -> Result<Value, String> {
    if let Some(serial) = &request.item
        && !world.items.contains_key(serial)
    {
        return Err(unknown(serial));
    }
    world.place(Placement {
        item: request.item,
        face: request.face,
        polarisation: request.polarisation,
        closed: request.closed,
        sealed: request.sealed,
    });
    Ok(json!({ "placed": world.placement() }))
}

fn truth(world: &World, request: &Truth) -> Result<Value, String> {
    if request.frequency_hz.len() > FREQUENCIES_MAX {
        return Err(format!("at most {FREQUENCIES_MAX} frequencies at a time"));
    }
    let item = match &request.item {
        Some(serial) => Some(world.items.get(serial).ok_or_else(|| unknown(serial))?),
        None => None,
    };
    let mut all = Vec::with_capacity(request.frequency_hz.len());
    for hz in &request.frequency_hz {
        if !(hz.is_finite() && *hz > 0.0) {
            return Err(format!("{hz} is not a frequency in Hz"));
        }
        let at = Frequency::from_hz(*hz);
        let se = item.map(|item| true_se(item, request.face, request.polarisation, at));
        all.push(se.map_or(0.0, |se| se.db()));
    }
    Ok(json!({ "true_se_db": all }))
}

fn define(world: &mut World, item: Item) -> Result<Value, String> {
    item.check()?;
    if world.items.len() >= ITEMS_MAX && !world.items.contains_key(&item.serial) {
        return Err(format!("there are {ITEMS_MAX} items already"));
    }
    let serial = item.serial.clone();
    world.define(item);
    Ok(json!({ "defined": serial }))
}

fn ambient(world: &mut World, request: Ambient) -> Result<Value, String> {
    let changes = request.stations.is_some() || request.plant.is_some();
    let mut stations = match request.stations {
        Some(requests) => requests
            .into_iter()
            .map(station)
            .collect::<Result<_, _>>()?,
        None => world.stations().to_vec(),
    };
    if let Some(request) = request.plant {
        stations.push(station(request)?);
    }
    if stations.len() > STATIONS_MAX {
        return Err(format!("at most {STATIONS_MAX} stations"));
    }
    if changes {
        world.set_stations(stations);
    }
    Ok(json!({ "stations": world.stations() }))
}

fn station(request: StationRequest) -> Result<Station, String> {
    let StationRequest {
        frequency_hz,
        level_dbm,
        deviation_hz,
    } = request;
    let good = (1.0..=1e10).contains(&frequency_hz)
        && (-200.0..=30.0).contains(&level_dbm)
        && (0.0..=1e7).contains(&deviation_hz);
    match good {
        true => Ok(Station {
            frequency_hz,
            level_dbm,
            deviation_hz,
        }),
        false => Err("a station needs frequency_hz, level_dbm (-200 to 30), deviation_hz".into()),
    }
}

fn plant(world: &mut World, request: Plant) -> Result<Value, String> {
    if request.faults.len() + world.plot().all().count() > FAULTS_MAX {
        return Err(format!("at most {FAULTS_MAX} faults at a time"));
    }
    for planted in &request.faults {
        let times = [Some(planted.ms), planted.for_ms];
        let good = |ms: &f64| (0.0..=1e9).contains(ms);
        if !times.iter().flatten().all(good) || planted.nth == 0 || planted.times == 0 {
            return Err("`ms` and `for_ms` are 0 to 1e9, `nth` and `times` at least 1".into());
        }
    }
    if request.clear {
        world.mend();
    }
    for planted in request.faults {
        world.plant(planted);
    }
    let planted: Vec<_> = world.plot().all().collect();
    Ok(json!({ "planted": planted }))
}

async fn fault(
    shared: &Shared,
    terminals: &Terminals,
    request: FaultRequest,
) -> Result<Value, String> {
    let ports = "`on` is source, source_serial, receiver, serial, handheld or power_monitor";
    let port = Port::named(&request.on).ok_or(ports)?;
    let terminal = match port {
        Port::SourceSerial => Some(&terminals.source),
        Port::Serial => Some(&terminals.serial),
        Port::Handheld => Some(&terminals.handheld),
        _ => None,
    };
    match terminal {
        None if request.pull || request.replug => {
            return Err("only a terminal can be pulled; use `drop` and `refuse`".into());
        }
        Some(_) if request.drop || request.refuse.is_some() => {
            return Err("a terminal is not connected to; use `pull` and `replug`".into());
        }
        _ => set_faults(&mut shared.world(), port, &request),
    }
    let Some(terminal) = terminal else {
        return Ok(json!({ "done": true }));
    };
    if request.pull {
        plug(terminal, Plug::Pull).await?;
    }
    match request.replug {
        true => Ok(json!({ "address": plug(terminal, Plug::Replug).await? })),
        false => Ok(json!({ "done": true })),
    }
}

type PlugReply = oneshot::Sender<Result<String, String>>;

async fn plug(
    terminal: &mpsc::Sender<Plug>,
    how: impl FnOnce(PlugReply) -> Plug,
) -> Result<String, String> {
    let (reply, answer) = oneshot::channel();
    let gone = "the terminal is no longer served";
    terminal.send(how(reply)).await.map_err(|_| gone)?;
    answer.await.map_err(|_| gone)?
}

fn set_faults(world: &mut World, port: Port, request: &FaultRequest) {
    if let Some(level_dbm) = request
        .compression_dbm
        .filter(|_| port.role() == Role::Receiver)
    {
        world.set_compression(level_dbm);
    }
    let traffic = world.traffic(port);
    if request.clear {
        traffic.faults.clear();
        traffic.delay = Duration::ZERO;
        traffic.silent = 0;
        traffic.refusing = false;
        traffic.identity = None;
    }
    if let Some(delay_ms) = request.delay_ms {
        traffic.delay = Duration::from_millis(delay_ms);
    }
    if let Some(count) = request.silence {
        traffic.silent = count;
    }
    if let Some(refuse) = request.refuse {
        traffic.refusing = refuse;
    }
    if let Some(identity) = &request.identity {
        traffic.identity = Some(identity.clone()).filter(|it| !it.is_empty());
    }
    let once = [
        (request.drop, Fault::Drop),
        (request.garbage, Fault::Garbage),
        (request.half_block, Fault::HalfBlock),
        (request.wrong_length, Fault::WrongLength),
    ];
    let asked = once.into_iter().filter(|(asked, _)| *asked);
    traffic.faults.extend(asked.map(|(_, fault)| fault));
    if request.power_cycle {
        *world.status(port) = Status::default();
        reset(world, port);
    }
    for number in 0..request.errors.unwrap_or(0).min(1000) {
        let error = ScpiError::new(-300, format!("planted fault {}", number + 1));
        world.status(port).push(error);
    }
}

/// Everything that an eye at the bench could see, and a few things that it could not.
fn state(world: &mut World) -> Value {
    world.catch_up();
    let instruments: serde_json::Map<String, Value> = Port::ALL
        .into_iter()
        .map(|port| {
            let traffic = world.traffic(port);
            let counts = json!({ "commands": traffic.commands, "answers": traffic.answers });
            (port.name().to_owned(), counts)
        })
        .collect();
    let source = world.source;
    json!({
        "source": {
            "on": source.on,
            "frequency_hz": source.frequency_hz,
            "level_dbm": source.level_dbm,
            // Real time since its output last went on or off.
            "switched_ms_ago": world.since_switched().map(|since| since.as_secs_f64() * 1e3),
        },
        "time_s": world.now_s(),
        // Faults of the bench that have begun so far.
        "struck": world.plot().struck,
        "instruments": instruments,
        "emissions": world.emissions(),
        "longest_emission_s": world.longest_emission().as_secs_f64(),
        "placed": world.placement(),
        "closings": world.closings(),
        "receiver": {
            "input_dbm": world.input_dbm(),
            "highest_input_dbm": world.analyzer.highest_input_dbm.max(-300.0),
            "damage_dbm": DAMAGE_DBM,
        },
    })
}

/// A client of the control port, for the `sim` commands and for tests.
#[derive(Debug)]
pub struct Client {
    address: String,
    stream: BufReader<TcpStream>,
}

impl Client {
    /// Connects to `tcp://host:port`.
    ///
    /// # Errors
    /// Nobody there, or not such an address.
    pub async fn connect(address: &str) -> Result<Self, SimError> {
        let failed = |reason: String| SimError::Control {
            address: address.to_owned(),
            reason,
        };
        let place = address
            .strip_prefix("tcp://")
            .ok_or_else(|| failed("an address is written tcp://host:port".into()))?;
        let connecting = tokio::time::timeout(PATIENCE, TcpStream::connect(place));
        let stream = match connecting.await {
            Ok(Ok(stream)) => stream,
            Ok(Err(error)) => return Err(failed(error.to_string())),
            Err(_) => return Err(failed("no connection".into())),
        };
        stream
            .set_nodelay(true)
            .map_err(|error| failed(error.to_string()))?;
        Ok(Self {
            address: address.to_owned(),
            stream: BufReader::new(stream),
        })
    }

    /// Sends one request and gives its answer.
    ///
    /// # Errors
    /// The connection broke off, or the bench refused.
    pub async fn request(&mut self, request: &Value) -> Result<Value, SimError> {
        let exchange = tokio::time::timeout(PATIENCE, self.exchange(request));
        let answered = exchange.await.unwrap_or_else(|_| Err("no answer".into()));
        let answer = answered.map_err(|reason| SimError::Control {
            address: self.address.clone(),
            reason,
        })?;
        match answer.get("error") {
            Some(error) => Err(SimError::Refused(
                error.as_str().unwrap_or("no reason given").to_owned(),
            )),
            None => Ok(answer),
        }
    }

    async fn exchange(&mut self, request: &Value) -> Result<Value, String> {
        let line = format!("{request}\n");
        let text = |error: std::io::Error| error.to_string();
        self.stream.write_all(line.as_bytes()).await.map_err(text)?;
        let mut answer = Vec::new();
        let mut limited = (&mut self.stream).take(ANSWER_MAX);
        limited.read_until(b'\n', &mut answer).await.map_err(text)?;
        serde_json::from_slice(&answer).map_err(|error| format!("not an answer: {error}"))
    }

    /// Puts an item around the receive antenna (`None`: takes it away).
    ///
    /// # Errors
    /// As [`Self::request`].
    pub async fn place(
        &mut self,
        item: Option<&str>,
        face: Face,
        polarisation: Polarisation,
    ) -> Result<(), SimError> {
        let request = json!({
            "do": "place", "item": item, "face": face, "polarisation": polarisation,
        });
        self.request(&request).await.map(|_| ())
    }

    /// The true SE of an item, dB, at each frequency in Hz.
    ///
    /// # Errors
    /// As [`Self::request`].
    pub async fn truth(
        &mut self,
        item: &str,
        face: Face,
        polarisation: Polarisation,
        frequency_hz: &[f64],
    ) -> Result<Vec<f64>, SimError> {
        let request = json!({
            "do": "truth", "item": item, "face": face, "polarisation": polarisation,
            "frequency_hz": frequency_hz,
        });
        let answer = self.request(&request).await?;
        let list = answer.get("true_se_db").cloned().unwrap_or(Value::Null);
        serde_json::from_value(list).map_err(|error| SimError::Control {
            address: self.address.clone(),
            reason: error.to_string(),
        })
    }

    /// Adds an item, or replaces the one of the same serial.
    ///
    /// # Errors
    /// As [`Self::request`].
    pub async fn define(&mut self, item: &Item) -> Result<(), SimError> {
        let request = json!({ "do": "define", "item": item });
        self.request(&request).await.map(|_| ())
    }

    /// What the bench is doing; see the table in this module's documentation.
    ///
    /// # Errors
    /// As [`Self::request`].
    pub async fn state(&mut self) -> Result<Value, SimError> {
        self.request(&json!({ "do": "state" })).await
    }
}
