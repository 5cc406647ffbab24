//! A source and a receiver on the public `scpi` crate (1.0): its parser, its command tree and its error
//! queue decide what our client may say. Only the handlers and the socket are written here.

use std::sync::{Arc, Mutex};

use scpi::error::{Error, ErrorCode, ErrorQueue, Result, VecErrorQueue};
use scpi::parser::format::{Arbitrary, Character};
use scpi::parser::parameters::Parameters;
use scpi::parser::response::ResponseUnit;
use scpi::tree::Node;
use scpi::tree::command::Command;
use scpi::{Branch, Context, Device, Leaf, Root};
use tokio::io::{AsyncBufReadExt, AsyncWriteExt, BufReader};
use tokio::net::{TcpListener, TcpStream};

/// About -95 dBm, with two newlines among its four bytes.
pub const FLOOR_DBM: f32 = f32::from_bits(0xC2BE_0A0A);
/// About -24 dBm, with a newline and a semicolon among its four bytes.
pub const PEAK_DBM: f32 = f32::from_bits(0xC1C0_0A3B);
const POINTS_MAX: u32 = 1001;

/// What was set, on both instruments, and what is between them.
#[derive(Debug, Default)]
pub struct Air {
    /// The first line that the source was sent.
    pub first: Option<String>,
    pub on: bool,
    pub frequency_hz: f64,
    pub level_dbm: f64,
    pub centre_hz: f64,
    pub span_hz: f64,
    pub points: u32,
    pub resolution_hz: f64,
    pub video_hz: f64,
    pub attenuation_db: f64,
    pub detector: String,
    pub sweeps: u32,
    pub sweeps_begun: u32,
    holding: bool,
    real_little: (bool, bool),
}

/// One of the two.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Role {
    Source,
    Receiver,
}

struct Instrument {
    role: Role,
    air: Arc<Mutex<Air>>,
    queue: VecErrorQueue,
    event_enable: u8,
}

impl Device for Instrument {
    fn handle_error(&mut self, error: Error) {
        self.queue.push_back_error(error);
    }
}

impl Instrument {
    fn air(&self) -> std::sync::MutexGuard<'_, Air> {
        self.air.lock().expect("whole")
    }
}

/// A command without an answer.
struct Tell(fn(&mut Instrument, &mut Parameters) -> Result<()>);

impl Command<Instrument> for Tell {
    fn event(&self, device: &mut Instrument, _: &mut Context, mut said: Parameters) -> Result<()> {
        self.0(device, &mut said)
    }
}

/// A query.
struct Ask(fn(&mut Instrument, &mut Parameters, ResponseUnit) -> Result<()>);

impl Command<Instrument> for Ask {
    fn query(
        &self,
        device: &mut Instrument,
        _: &mut Context,
        mut said: Parameters,
        answer: ResponseUnit,
    ) -> Result<()> {
        self.0(device, &mut said, answer)
    }
}

/// Both.
struct Both(Tell, Ask);

impl Command<Instrument> for Both {
    fn event(&self, device: &mut Instrument, _: &mut Context, mut said: Parameters) -> Result<()> {
        self.0.0(device, &mut said)
    }

    fn query(
        &self,
        device: &mut Instrument,
        _: &mut Context,
        mut said: Parameters,
        answer: ResponseUnit,
    ) -> Result<()> {
        self.1.0(device, &mut said, answer)
    }
}

/// A number that is set, and asked for.
macro_rules! number {
    ($field:ident) => {
        &Both(
            Tell(|device, said| {
                let value = said.next_data()?;
                device.air().$field = value;
                Ok(())
            }),
            Ask(|device, _, mut answer| answer.data(device.air().$field).finish()),
        )
    };
}

/// A word that never changes.
macro_rules! fixed {
    ($word:literal) => {
        Ask(|_, _, mut answer| answer.data(Character($word)).finish())
    };
}

/// The only word that may follow.
fn word(said: &mut Parameters, wanted: &str) -> Result<()> {
    let Character(got) = said.next_data()?;
    match got.eq_ignore_ascii_case(wanted.as_bytes()) {
        true => Ok(()),
        false => Err(ErrorCode::IllegalParameterValue.into()),
    }
}

const IDENTIFY: &dyn Command<Instrument> = &Ask(|device, _, mut answer| {
    let model: &[u8] = match device.role {
        Role::Source => b"Parsed source",
        Role::Receiver => b"Parsed receiver",
    };
    let nobody: &[u8] = b"Nobody";
    answer.data(nobody).data(model).data(1u8).data(0u8).finish()
});
const CLEAR: &dyn Command<Instrument> = &Tell(|device, _| {
    device.queue.clear_errors();
    Ok(())
});
const RESET: &dyn Command<Instrument> = &Tell(|device, _| {
    if device.role == Role::Source {
        device.air().on = false;
    }
    Ok(())
});
const COMPLETE: &dyn Command<Instrument> = &Ask(|_, _, mut answer| answer.data(1u8).finish());
/// Nothing has happened since it was last asked, a power cycle least of all.
const EVENTS: &dyn Command<Instrument> = &Ask(|_, _, mut answer| answer.data(0u8).finish());
const EVENT_ENABLE: &dyn Command<Instrument> = &Both(
    Tell(|device, said| {
        device.event_enable = said.next_data()?;
        Ok(())
    }),
    Ask(|device, _, mut answer| answer.data(device.event_enable).finish()),
);
const ERROR: &dyn Command<Instrument> = &Ask(|device, _, mut answer| {
    let error = device.queue.pop_front_error().unwrap_or_default();
    let text: &[u8] = error.get_message();
    answer.data(error.get_code()).data(text).finish()
});
const UNIT: &dyn Command<Instrument> = &Both(Tell(|_, said| word(said, "DBM")), fixed!(b"DBM"));

const SOURCE: Node<Instrument> = Root![
    Leaf!(b"*IDN" => IDENTIFY),
    Leaf!(b"*CLS" => CLEAR),
    Leaf!(b"*RST" => RESET),
    Leaf!(b"*OPC" => COMPLETE),
    Leaf!(b"*ESE" => EVENT_ENABLE),
    Leaf!(b"*ESR" => EVENTS),
    Branch![b"SYSTem"; Branch![b"ERRor"; Leaf!(default b"NEXT" => ERROR)]],
    Branch![b"UNIT"; Leaf!(b"POWer" => UNIT)],
    Branch![b"STATus"; Branch![b"QUEStionable"; Branch![b"POWer"; Leaf!(b"CONDition" => EVENTS)]]],
    Branch![b"OUTPut"; Leaf!(default b"STATe" => &Both(
        Tell(|device, said| {
            let on = said.next_data()?;
            device.air().on = on;
            Ok(())
        }),
        Ask(|device, _, mut answer| answer.data(device.air().on).finish()),
    ))],
    Branch![default b"SOURce";
        Branch![b"FREQuency"; Leaf!(default b"CW" => number!(frequency_hz))],
        Branch![b"POWer"; Branch![default b"LEVel"; Branch![default b"IMMediate";
            Leaf!(default b"AMPLitude" => number!(level_dbm))
        ]]]
    ]
];

const RECEIVER: Node<Instrument> = Root![
    Leaf!(b"*IDN" => IDENTIFY),
    Leaf!(b"*CLS" => CLEAR),
    Leaf!(b"*RST" => RESET),
    Leaf!(b"*OPC" => COMPLETE),
    Leaf!(b"*ESE" => EVENT_ENABLE),
    Leaf!(b"*ESR" => EVENTS),
    Branch![b"SYSTem"; Branch![b"ERRor"; Leaf!(default b"NEXT" => ERROR)]],
    Branch![b"UNIT"; Leaf!(b"POWer" => UNIT)],
    Branch![b"INITiate";
        Leaf!(default b"IMMediate" => &Tell(|device, _| {
            device.air().sweeps_begun += 1;
            Ok(())
        })),
        Leaf!(b"CONTinuous" => &Both(
            Tell(|_, said| match said.next_data::<bool>()? {
                false => Ok(()),
                true => Err(ErrorCode::SettingsConflict.into()),
            }),
            Ask(|_, _, mut answer| answer.data(false).finish()),
        ))
    ],
    Branch![b"FORMat";
        Leaf!(default b"DATA" => &Tell(|device, said| {
            word(said, "REAL")?;
            let bits: u8 = said.next_data()?;
            device.air().real_little.0 = bits == 32;
            Ok(())
        })),
        Leaf!(b"BORDer" => &Tell(|device, said| {
            word(said, "SWAP")?;
            device.air().real_little.1 = true;
            Ok(())
        }))
    ],
    Branch![b"TRACe"; Leaf!(default b"DATA" => &Ask(trace))],
    Branch![b"STATus"; Branch![b"QUEStionable"; Branch![b"POWer";
        Leaf!(b"CONDition" => &Ask(|_, _, mut answer| answer.data(0u8).finish()))
    ]]],
    Branch![b"INPut";
        Leaf!(b"ATTenuation" => number!(attenuation_db)),
        Branch![b"GAIN"; Leaf!(default b"STATe" => &Ask(|_, _, mut answer| answer.data(false).finish()))]
    ],
    Branch![b"DISPlay"; Branch![b"TRACe"; Branch![b"Y"; Leaf!(b"RLEVel" => &Ask(|_, _, mut answer| {
        answer.data(0.0f64).finish()
    }))]]],
    Branch![default b"SENSe";
        Branch![b"FREQuency";
            Leaf!(b"CENTer" => number!(centre_hz)),
            Leaf!(b"SPAN" => number!(span_hz))
        ],
        Branch![b"BANDwidth";
            Leaf!(default b"RESolution" => number!(resolution_hz)),
            Leaf!(b"VIDeo" => number!(video_hz))
        ],
        Branch![b"SWEep";
            Leaf!(b"POINts" => &Both(
                Tell(|device, said| {
                    let points = said.next_data()?;
                    if points > POINTS_MAX {
                        return Err(ErrorCode::DataOutOfRange.into());
                    }
                    device.air().points = points;
                    Ok(())
                }),
                Ask(|device, _, mut answer| answer.data(device.air().points).finish()),
            )),
            Leaf!(b"TIME" => &Ask(|_, _, mut answer| answer.data(0.05f64).finish()))
        ],
        Branch![b"DETector"; Leaf!(default b"FUNCtion" => &Both(
            Tell(|device, said| {
                let Character(name) = said.next_data()?;
                device.air().detector = String::from_utf8_lossy(name).into_owned();
                Ok(())
            }),
            Ask(|device, _, mut answer| {
                let name = device.air().detector.clone();
                answer.data(Character(name.as_bytes())).finish()
            }),
        ))],
        Branch![b"AVERage";
            Leaf!(default b"STATe" => number!(holding)),
            Leaf!(b"TYPE" => &Both(Tell(|_, said| word(said, "MAX")), fixed!(b"MAX"))),
            Leaf!(b"COUNt" => number!(sweeps))
        ]
    ]
];

fn trace(device: &mut Instrument, said: &mut Parameters, mut answer: ResponseUnit) -> Result<()> {
    word(said, "TRACE1")?;
    let air = device.air();
    if air.real_little != (true, true) || !air.holding {
        return Err(ErrorCode::SettingsConflict.into());
    }
    let mut levels = vec![FLOOR_DBM; air.points as usize];
    if air.on && (air.frequency_hz - air.centre_hz).abs() < 1.0 {
        levels[air.points as usize / 2] = PEAK_DBM;
    }
    let bytes: Vec<u8> = levels
        .iter()
        .flat_map(|level| level.to_le_bytes())
        .collect();
    answer.data(Arbitrary(&bytes)).finish()
}

/// Serves one of the two on a socket; gives its address.
pub async fn serve(role: Role, air: Arc<Mutex<Air>>) -> String {
    let listener = TcpListener::bind("127.0.0.1:0").await.expect("a socket");
    let address = format!("tcp://{}", listener.local_addr().expect("bound"));
    tokio::spawn(async move {
        let mut instrument = Instrument {
            role,
            air,
            queue: VecErrorQueue::new(),
            event_enable: 0,
        };
        // One client at a time, as many real ones.
        while let Ok((stream, _)) = listener.accept().await {
            talk(&mut instrument, stream).await;
        }
    });
    address
}

async fn talk(instrument: &mut Instrument, stream: TcpStream) {
    let (reader, mut writer) = stream.into_split();
    let mut lines = BufReader::new(reader).lines();
    while let Ok(Some(line)) = lines.next_line().await {
        let mut answer = Vec::new();
        // What an error leaves of an answer is not sent; the crate has put the error into the queue.
        let done = {
            if instrument.role == Role::Source {
                instrument.air().first.get_or_insert_with(|| line.clone());
            }
            let tree = match instrument.role {
                Role::Source => &SOURCE,
                Role::Receiver => &RECEIVER,
            };
            tree.run(
                line.as_bytes(),
                instrument,
                &mut Context::default(),
                &mut answer,
            )
        };
        if done.is_ok() && writer.write_all(&answer).await.is_err() {
            break;
        }
    }
}
