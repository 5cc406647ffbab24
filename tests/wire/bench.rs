//! A simulated bench with its control port, and the ways into it.

use std::time::Duration;

use muffle::config::Address;
use muffle::link::{Framing, Link, link};
use muffle::sim::{Bench, BenchOptions, control::Client, start};
use serde_json::{Value, json};

/// A kind of link.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Wire {
    Tcp,
    Serial,
    Hislip,
    Vxi11,
    /// The kernel's device is stood in for by a terminal: also a character device, read and written alike,
    /// but without its transfers and time-outs.
    Usbtmc,
}

impl Wire {
    /// Whether the link marks where messages end and has a device clear.
    pub fn marks_ends(self) -> bool {
        matches!(self, Self::Hislip | Self::Vxi11)
    }

    /// By which name the control port knows the receiver's way in.
    pub fn receiver_port(self) -> &'static str {
        match self {
            Self::Serial | Self::Usbtmc => "serial",
            _ => "receiver",
        }
    }

    /// By which name the control port knows the source's way in.
    pub fn source_port(self) -> &'static str {
        match self {
            Self::Serial | Self::Usbtmc => "source_serial",
            _ => "source",
        }
    }
}

/// A bench and its control port.
pub struct Room {
    pub bench: Bench,
    pub control: Client,
}

impl Room {
    pub async fn open(options: BenchOptions) -> Self {
        let bench = start(options).await.expect("bench");
        let control = Client::connect(&bench.addresses().control).await;
        Self {
            control: control.expect("control"),
            bench,
        }
    }

    pub fn receiver_address(&self, wire: Wire) -> Address {
        let ways = &self.bench.addresses().receiver;
        address(wire, [&ways.tcp, &ways.serial, &ways.hislip, &ways.vxi11])
    }

    pub fn source_address(&self, wire: Wire) -> Address {
        let ways = &self.bench.addresses().source;
        address(wire, [&ways.tcp, &ways.serial, &ways.hislip, &ways.vxi11])
    }

    pub fn receiver(&self, wire: Wire) -> Box<dyn Link> {
        link(&self.receiver_address(wire), framing())
    }

    pub async fn fault(&mut self, on: &str, mut what: Value) -> Value {
        what["do"] = json!("fault");
        what["on"] = json!(on);
        self.control.request(&what).await.expect("fault")
    }
}

fn address(wire: Wire, [tcp, serial, hislip, vxi11]: [&String; 4]) -> Address {
    let text = match wire {
        Wire::Tcp => tcp.clone(),
        Wire::Serial => serial.clone(),
        Wire::Hislip => hislip.clone(),
        Wire::Vxi11 => vxi11.clone(),
        Wire::Usbtmc => serial.replace("serial:", "usbtmc:"),
    };
    text.parse().expect("address")
}

pub fn framing() -> Framing {
    Framing {
        ends_with: "\n".into(),
        prompt: None,
        echo: false,
        clear: None,
    }
}

/// Nothing here takes this long unless it hangs.
pub const HANGS: Duration = Duration::from_secs(20);

/// Sends and receives.
pub async fn ask(link: &mut dyn Link, message: &str) -> Vec<u8> {
    let talk = async {
        link.send(message.as_bytes()).await.expect("send");
        link.receive().await.expect("receive")
    };
    tokio::time::timeout(HANGS, talk).await.expect("in time")
}

pub async fn ask_text(link: &mut dyn Link, message: &str) -> String {
    String::from_utf8(ask(link, message).await).expect("text")
}
