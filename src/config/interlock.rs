//! The interlock of a station: a contact that has to be closed while anything is emitted.

use std::fmt;
use std::str::FromStr;

use url::Url;

/// Where the contact is read.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Contact {
    /// A file, such as that of an input pin: closed while its first byte is `closed`.
    File {
        /// The file.
        path: String,
        /// What the first byte is while the contact is closed.
        closed: u8,
    },
    /// A server that says the state of the contact once a second, a line each.
    Tcp {
        /// Host name or address.
        host: String,
        /// Port.
        port: u16,
    },
    /// An input of a serial port; DTR and RTS are held on, so that a contact between one of them and the input
    /// needs no supply of its own.
    Serial {
        /// The device file.
        path: String,
        /// Which input; closed while it is on.
        line: ModemLine,
    },
}

/// An input of a serial port.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum ModemLine {
    /// Clear to send.
    Cts,
    /// Data set ready.
    Dsr,
    /// Data carrier detect.
    Dcd,
    /// Ring indicator.
    Ri,
}

const FORM: &str = "write it like `serial:///dev/ttyUSB1?line=cts`, `tcp://192.0.2.12:5000` or `file:///sys/class/gpio/gpio17/value?closed=1`";

impl FromStr for Contact {
    type Err = String;

    fn from_str(text: &str) -> Result<Self, String> {
        let url = Url::parse(text).map_err(|error| format!("`{text}`: {error}; {FORM}"))?;
        let mut options: Vec<_> = url.query_pairs().collect();
        let option = options.pop();
        if !options.is_empty() {
            return Err(format!("`{text}` has more options than one; {FORM}"));
        }
        let option = option.as_ref().map(|(key, value)| (&**key, &**value));
        match (url.scheme(), option) {
            ("file", None) => Ok(Self::File {
                path: path(&url)?,
                closed: b'1',
            }),
            ("file", Some(("closed", value))) if value.len() == 1 => Ok(Self::File {
                path: path(&url)?,
                closed: value.as_bytes()[0],
            }),
            ("serial", Some(("line", line))) => Ok(Self::Serial {
                path: path(&url)?,
                line: line.parse()?,
            }),
            ("tcp", None) => match (url.host_str(), url.port()) {
                (Some(host), Some(port)) => Ok(Self::Tcp {
                    host: host.trim_matches(['[', ']']).to_owned(),
                    port,
                }),
                _ => Err(format!("`{text}` needs a host and a port; {FORM}")),
            },
            _ => Err(format!("`{text}` is no contact; {FORM}")),
        }
    }
}

fn path(url: &Url) -> Result<String, String> {
    match url.host_str().is_none_or(str::is_empty) && url.path().len() > 1 {
        true => Ok(url.path().to_owned()),
        false => Err(format!("`{url}` needs three slashes and a path; {FORM}")),
    }
}

impl FromStr for ModemLine {
    type Err = String;

    fn from_str(text: &str) -> Result<Self, String> {
        match text {
            "cts" => Ok(Self::Cts),
            "dsr" => Ok(Self::Dsr),
            "dcd" => Ok(Self::Dcd),
            "ri" => Ok(Self::Ri),
            _ => Err(format!("`line={text}`: must be cts, dsr, dcd or ri")),
        }
    }
}

impl fmt::Display for Contact {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::File { path, .. } => write!(f, "file://{path}"),
            Self::Tcp { host, port } if host.contains(':') => write!(f, "tcp://[{host}]:{port}"),
            Self::Tcp { host, port } => write!(f, "tcp://{host}:{port}"),
            Self::Serial { path, line } => {
                let line = match line {
                    ModemLine::Cts => "cts",
                    ModemLine::Dsr => "dsr",
                    ModemLine::Dcd => "dcd",
                    ModemLine::Ri => "ri",
                };
                write!(f, "serial://{path}?line={line}")
            }
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn contacts_are_read() {
        let contact = |text: &str| text.parse::<Contact>();
        let file = |closed| Contact::File {
            path: "/run/door".to_owned(),
            closed,
        };
        assert_eq!(contact("file:///run/door"), Ok(file(b'1')));
        assert_eq!(contact("file:///run/door?closed=0"), Ok(file(b'0')));
        for text in ["serial:///dev/ttyS0?line=dcd", "tcp://192.0.2.12:5000"] {
            assert_eq!(contact(text).expect(text).to_string(), text);
        }
        for text in [
            "file:///",
            "file://run/door",
            "file:///run/door?closed=10",
            "serial:///dev/ttyS0",
            "serial:///dev/ttyS0?line=rts",
            "serial:///dev/ttyS0?line=cts&closed=1",
            "tcp://192.0.2.12",
            "http://192.0.2.12:80",
            "door",
        ] {
            let said = contact(text).expect_err(text);
            assert!(said.contains('`'), "{text}: {said}");
        }
    }
}
