//! Where an instrument is: `tcp://host:port`, `serial:///dev/ttyUSB0?baud=115200`.

use std::fmt;
use std::str::FromStr;

use url::Url;

/// Where an instrument is reached.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Address {
    /// A raw socket.
    Tcp {
        /// Host name or address.
        host: String,
        /// Port; 5025 unless given, as is usual for raw SCPI sockets.
        port: u16,
    },
    /// A serial line.
    Serial(SerialLine),
}

/// A serial line and how it is set.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct SerialLine {
    /// The device file.
    pub path: String,
    /// Bits per second.
    pub baud: u32,
    /// Data bits, 7 or 8.
    pub bits: u8,
    /// `none`, `even` or `odd`.
    pub parity: Parity,
    /// Stop bits, 1 or 2.
    pub stop: u8,
    /// `none`, `hardware` or `software`.
    pub flow: Flow,
}

/// Parity of a serial line.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Parity {
    /// No parity bit.
    None,
    /// Even parity.
    Even,
    /// Odd parity.
    Odd,
}

/// Flow control of a serial line.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Flow {
    /// None.
    None,
    /// RTS and CTS.
    Hardware,
    /// XON and XOFF.
    Software,
}

impl FromStr for Address {
    type Err = String;

    fn from_str(text: &str) -> Result<Self, String> {
        let form = "write it like `tcp://192.0.2.10:5025` or `serial:///dev/ttyUSB0?baud=115200`";
        let url = Url::parse(text).map_err(|error| format!("`{text}`: {error}; {form}"))?;
        match url.scheme() {
            "tcp" => Ok(Self::Tcp {
                host: url
                    .host_str()
                    .filter(|host| !host.is_empty())
                    .ok_or_else(|| format!("`{text}` names no host; {form}"))?
                    .trim_matches(['[', ']'])
                    .to_owned(),
                port: url.port().unwrap_or(5025),
            }),
            "serial" => serial(&url).map(Self::Serial),
            other => Err(format!("`{other}://` is not a known kind of link; {form}")),
        }
    }
}

fn serial(url: &Url) -> Result<SerialLine, String> {
    let mut line = SerialLine {
        path: url.path().to_owned(),
        baud: 9600,
        bits: 8,
        parity: Parity::None,
        stop: 1,
        flow: Flow::None,
    };
    if line.path.len() < 2 || url.host_str().is_some_and(|host| !host.is_empty()) {
        return Err(format!(
            "`{url}` names no device; a serial address has three slashes: `serial:///dev/ttyUSB0`"
        ));
    }
    for (key, value) in url.query_pairs() {
        let wrong = |known: &str| format!("`{key}={value}`: use {known}");
        match key.as_ref() {
            "baud" => {
                line.baud = value
                    .parse()
                    .map_err(|_| wrong("a number such as 115200"))?
            }
            "bits" => {
                line.bits = match value.as_ref() {
                    "7" => 7,
                    "8" => 8,
                    _ => return Err(wrong("7 or 8")),
                }
            }
            "stop" => {
                line.stop = match value.as_ref() {
                    "1" => 1,
                    "2" => 2,
                    _ => return Err(wrong("1 or 2")),
                }
            }
            "parity" => {
                line.parity = match value.as_ref() {
                    "none" => Parity::None,
                    "even" => Parity::Even,
                    "odd" => Parity::Odd,
                    _ => return Err(wrong("none, even or odd")),
                }
            }
            "flow" => {
                line.flow = match value.as_ref() {
                    "none" => Flow::None,
                    "hardware" => Flow::Hardware,
                    "software" => Flow::Software,
                    _ => return Err(wrong("none, hardware or software")),
                }
            }
            other => {
                return Err(format!(
                    "`{other}` is not a serial setting; known: baud, bits, parity, stop, flow"
                ));
            }
        }
    }
    Ok(line)
}

impl fmt::Display for Address {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::Tcp { host, port } if host.contains(':') => write!(f, "tcp://[{host}]:{port}"),
            Self::Tcp { host, port } => write!(f, "tcp://{host}:{port}"),
            Self::Serial(line) => write!(f, "serial://{}", line.path),
        }
    }
}

impl super::document::Value for Address {
    fn read(value: &toml::de::DeValue<'_>) -> Result<Self, String> {
        String::read(value)?.parse()
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn reads_addresses() {
        assert_eq!(
            "tcp://127.0.0.1".parse(),
            Ok(Address::Tcp {
                host: "127.0.0.1".into(),
                port: 5025
            })
        );
        let Ok(Address::Serial(line)) = "serial:///dev/ttyUSB0?baud=115200&parity=even".parse()
        else {
            panic!("a serial address");
        };
        assert_eq!((line.baud, line.parity), (115_200, Parity::Even));
        assert_eq!(line.path, "/dev/ttyUSB0");
    }

    #[test]
    fn refuses_what_is_not_an_address() {
        for (text, part) in [
            ("127.0.0.1:5025", "write it like"),
            ("tcp://", "host"),
            ("serial://dev/ttyUSB0", "three slashes"),
            ("serial:///dev/ttyUSB0?speed=9600", "not a serial setting"),
            ("serial:///dev/ttyUSB0?bits=9", "use 7 or 8"),
            ("http://host", "not a known kind"),
        ] {
            let said = text.parse::<Address>().expect_err(text);
            assert!(said.contains(part), "{text}: {said}");
        }
    }
}
