//! Where an instrument is: `tcp://host:port`, `serial:///dev/ttyUSB0?baud=115200`, `hislip://host`,
//! `vxi11://host/inst0`, `usbtmc:///dev/usbtmc0`.

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
    /// HiSLIP (IVI-6.1).
    Hislip {
        /// Host name or address.
        host: String,
        /// Port; 4880 unless given, as registered for it.
        port: u16,
        /// The instrument behind the host; `hislip0` unless given.
        sub_address: String,
    },
    /// VXI-11.
    Vxi11 {
        /// Host name or address.
        host: String,
        /// The instrument behind the host; `inst0` unless given.
        device: String,
        /// Port of the core channel; asked of the host's portmapper unless given.
        port: Option<u16>,
    },
    /// USBTMC through the kernel's character device.
    Usbtmc {
        /// The device file.
        path: String,
    },
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
        let url = Url::parse(text).map_err(|error| format!("`{text}`: {error}; {FORM}"))?;
        match url.scheme() {
            "tcp" => {
                queries(&url, &[])?;
                Ok(Self::Tcp {
                    host: host(&url)?,
                    port: url.port().unwrap_or(5025),
                })
            }
            "hislip" => {
                queries(&url, &[])?;
                Ok(Self::Hislip {
                    host: host(&url)?,
                    port: url.port().unwrap_or(4880),
                    sub_address: within(&url, "hislip0")?,
                })
            }
            "vxi11" => {
                if url.port().is_some() {
                    return Err(format!(
                        "`{text}`: the portmapper is always asked at its own port; for a host without one write `vxi11://host/inst0?port=1024`"
                    ));
                }
                let port = queries(&url, &["port"])?.map(|port| port.parse());
                Ok(Self::Vxi11 {
                    host: host(&url)?,
                    device: within(&url, "inst0")?,
                    port: port
                        .transpose()
                        .map_err(|_| format!("`{text}`: `port` must be a number up to 65535"))?,
                })
            }
            "usbtmc" => {
                queries(&url, &[])?;
                Ok(Self::Usbtmc {
                    path: device_file(&url, "usbtmc:///dev/usbtmc0")?,
                })
            }
            "serial" => serial(&url).map(Self::Serial),
            other => Err(format!("`{other}://` is not a known kind of link; {FORM}")),
        }
    }
}

const FORM: &str = "write it like `tcp://192.0.2.10:5025`, `hislip://192.0.2.10`, `vxi11://192.0.2.10/inst0`, `serial:///dev/ttyUSB0?baud=115200` or `usbtmc:///dev/usbtmc0`";

fn host(url: &Url) -> Result<String, String> {
    url.host_str()
        .filter(|host| !host.is_empty())
        .map(|host| host.trim_matches(['[', ']']).to_owned())
        .ok_or_else(|| format!("`{url}` names no host; {FORM}"))
}

/// The name of an instrument behind a host.
fn within(url: &Url, usual: &str) -> Result<String, String> {
    match url.path().trim_matches('/') {
        "" => Ok(usual.to_owned()),
        name if name.len() > NAME_BYTES_MAX => Err(format!(
            "`{url}`: the name after the host is longer than {NAME_BYTES_MAX} letters"
        )),
        name => Ok(name.to_owned()),
    }
}

/// The longest name of an instrument behind a host.
const NAME_BYTES_MAX: usize = 256;

fn device_file(url: &Url, example: &str) -> Result<String, String> {
    let path = url.path();
    if path.len() < 2 || url.host_str().is_some_and(|host| !host.is_empty()) {
        return Err(format!(
            "`{url}` names no device; such an address has three slashes: `{example}`"
        ));
    }
    Ok(path.to_owned())
}

/// The value of the one setting that `known` allows, if it is there; any other is a slip.
fn queries(url: &Url, known: &[&str]) -> Result<Option<String>, String> {
    let mut found = None;
    for (key, value) in url.query_pairs() {
        if !known.contains(&key.as_ref()) {
            return Err(match known {
                [] => format!("`{url}`: this kind of address takes no `{key}`"),
                known => format!(
                    "`{url}`: `{key}` is not known here; known: {}",
                    known.join(", ")
                ),
            });
        }
        found = Some(value.into_owned());
    }
    Ok(found)
}

fn serial(url: &Url) -> Result<SerialLine, String> {
    let mut line = SerialLine {
        path: device_file(url, "serial:///dev/ttyUSB0")?,
        baud: 9600,
        bits: 8,
        parity: Parity::None,
        stop: 1,
        flow: Flow::None,
    };
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
            Self::Tcp { host, port } => write!(f, "tcp://{}:{port}", Bracketed(host)),
            Self::Hislip {
                host,
                port,
                sub_address,
            } => write!(f, "hislip://{}:{port}/{sub_address}", Bracketed(host)),
            Self::Vxi11 { host, device, port } => {
                write!(f, "vxi11://{}/{device}", Bracketed(host))?;
                match port {
                    Some(port) => write!(f, "?port={port}"),
                    None => Ok(()),
                }
            }
            Self::Usbtmc { path } => write!(f, "usbtmc://{path}"),
            Self::Serial(line) => write!(f, "serial://{}", line.path),
        }
    }
}

/// A host as it stands in an address: one with colons in brackets.
struct Bracketed<'a>(&'a str);

impl fmt::Display for Bracketed<'_> {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self.0.contains(':') {
            true => write!(f, "[{}]", self.0),
            false => f.write_str(self.0),
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
    fn an_address_is_shown_as_it_is_written() {
        for (text, shown) in [
            ("hislip://192.0.2.1", "hislip://192.0.2.1:4880/hislip0"),
            (
                "hislip://[::1]:14880/hislip1",
                "hislip://[::1]:14880/hislip1",
            ),
            ("vxi11://192.0.2.1", "vxi11://192.0.2.1/inst0"),
            (
                "vxi11://bench/gpib0,5?port=1024",
                "vxi11://bench/gpib0,5?port=1024",
            ),
            ("usbtmc:///dev/usbtmc0", "usbtmc:///dev/usbtmc0"),
            ("tcp://[::1]:5025", "tcp://[::1]:5025"),
        ] {
            let address: Address = text.parse().expect(text);
            assert_eq!(address.to_string(), shown);
            assert_eq!(shown.parse(), Ok(address));
        }
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
            ("hislip:///hislip0", "names no host"),
            ("vxi11://host:1024/inst0", "?port=1024"),
            ("vxi11://host/inst0?port=many", "must be a number"),
            ("hislip://host?port=1", "takes no `port`"),
            ("usbtmc://dev/usbtmc0", "three slashes"),
        ] {
            let said = text.parse::<Address>().expect_err(text);
            assert!(said.contains(part), "{text}: {said}");
        }
    }
}
