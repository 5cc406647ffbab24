//! What could be an instrument: services announced on the local network, serial ports, USB devices.
//!
//! The network is asked by multicast DNS for the services that LXI instruments announce (LXI Device
//! Specification; `mdns-sd` does the protocol; `zeroconf` and `libmdns` were looked at: the first needs a
//! system library, the second only announces). Nothing is said to what is found: who is there, the caller asks.

use std::collections::BTreeMap;
use std::path::Path;
use std::time::{Duration, Instant};

use mdns_sd::{ServiceDaemon, ServiceEvent};

/// Services of instruments, with how each is addressed.
const SERVICES: [(&str, &str); 4] = [
    ("_scpi-raw._tcp.local.", "tcp"),
    ("_hislip._tcp.local.", "hislip"),
    ("_vxi-11._tcp.local.", "vxi11"),
    ("_lxi._tcp.local.", "lxi"),
];
/// The most that is listed of one kind: a network that announces more is not a bench.
const FOUND_MAX: usize = 256;

/// Something that could be an instrument.
#[derive(Debug, Clone, PartialEq, Eq, serde::Serialize)]
pub struct Found {
    /// How a station file would name it; none for a page that only describes the instrument.
    pub address: Option<String>,
    /// How it was found: `network`, `serial` or `usb`.
    pub by: &'static str,
    /// What it says of itself without being asked.
    pub description: String,
    /// Whether asking who it is harms nothing: a service that announces itself as an instrument's. A serial
    /// port may lead to anything.
    pub may_be_asked: bool,
}

/// Listens for `patience` to what the local network announces, then looks at this machine's own ports.
///
/// # Errors
/// Why the network could not be asked, beside what was found without it.
pub fn find(patience: Duration) -> (Vec<Found>, Option<String>) {
    let (mut found, fault) = match ServiceDaemon::new() {
        Ok(daemon) => {
            let found = services(&daemon, patience);
            let _ = daemon.shutdown();
            match found {
                Ok(found) => (found, None),
                Err(error) => (Vec::new(), Some(error.to_string())),
            }
        }
        Err(error) => (Vec::new(), Some(error.to_string())),
    };
    found.extend(serial_ports());
    found.extend(usb_devices(Path::new("/dev")));
    (found, fault)
}

fn services(daemon: &ServiceDaemon, patience: Duration) -> Result<Vec<Found>, mdns_sd::Error> {
    let mut browsing = Vec::new();
    for (service, scheme) in SERVICES {
        browsing.push((daemon.browse(service)?, scheme));
    }
    // By name and scheme: an answer may come several times.
    let mut found = BTreeMap::new();
    let until = Instant::now() + patience;
    while Instant::now() < until && found.len() < FOUND_MAX {
        for (events, scheme) in &browsing {
            while let Ok(event) = events.try_recv() {
                if let ServiceEvent::ServiceResolved(service) = event {
                    let host = service
                        .addresses
                        .iter()
                        .map(|address| address.to_ip_addr())
                        .min()
                        .map_or(service.host.clone(), |ip| ip.to_string());
                    let told = |key: &str| service.txt_properties.get_property_val_str(key);
                    let entry = network(scheme, &host, service.port, &told, &service.fullname);
                    found.insert((service.fullname.clone(), *scheme), entry);
                }
            }
        }
        std::thread::sleep(Duration::from_millis(20));
    }
    Ok(found.into_values().collect())
}

/// One announced service; `told` gives the values of its TXT record.
fn network<'a>(
    scheme: &str,
    host: &str,
    port: u16,
    told: &impl Fn(&str) -> Option<&'a str>,
    fullname: &str,
) -> Found {
    let host = match host.contains(':') {
        true => format!("[{host}]"),
        false => host.to_owned(),
    };
    let address = match scheme {
        "tcp" => Some(format!("tcp://{host}:{port}")),
        "hislip" => Some(format!("hislip://{host}:{port}")),
        // The port announced is the portmapper's, which the link asks by itself.
        "vxi11" => Some(format!("vxi11://{host}/inst0")),
        _ => None,
    };
    let words: Vec<&str> = ["Manufacturer", "Model", "SerialNumber", "FirmwareVersion"]
        .into_iter()
        .filter_map(told)
        .collect();
    Found {
        may_be_asked: address.is_some(),
        address,
        by: "network",
        description: match words.is_empty() {
            true => fullname.split("._").next().unwrap_or(fullname).to_owned(),
            false => words.join(", "),
        },
    }
}

fn serial_ports() -> Vec<Found> {
    let ports = serialport::available_ports().unwrap_or_default();
    ports
        .into_iter()
        .take(FOUND_MAX)
        .map(|port| Found {
            address: Some(format!("serial://{}", port.port_name)),
            by: "serial",
            description: match port.port_type {
                serialport::SerialPortType::UsbPort(usb) => {
                    let told = [usb.manufacturer, usb.product, usb.serial_number];
                    let words: Vec<_> = told.into_iter().flatten().collect();
                    format!("USB {:04x}:{:04x} {}", usb.vid, usb.pid, words.join(", "))
                }
                serialport::SerialPortType::PciPort => "built in".to_owned(),
                serialport::SerialPortType::BluetoothPort => "Bluetooth".to_owned(),
                serialport::SerialPortType::Unknown => String::new(),
            },
            may_be_asked: false,
        })
        .collect()
}

fn usb_devices(folder: &Path) -> Vec<Found> {
    let Ok(entries) = std::fs::read_dir(folder) else {
        return Vec::new();
    };
    let mut names: Vec<String> = entries
        .flatten()
        .filter_map(|entry| entry.file_name().into_string().ok())
        .filter(|name| {
            name.strip_prefix("usbtmc")
                .is_some_and(|rest| !rest.is_empty() && rest.bytes().all(|b| b.is_ascii_digit()))
        })
        .collect();
    names.sort();
    names
        .into_iter()
        .map(|name| Found {
            address: Some(format!("usbtmc://{}", folder.join(name).display())),
            by: "usb",
            description: "USB test and measurement class".to_owned(),
            may_be_asked: true,
        })
        .collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn an_announced_service_becomes_an_address() {
        let told = |key: &str| match key {
            "Manufacturer" => Some("Tarn End"),
            "Model" => Some("Simulated source"),
            _ => None,
        };
        let raw = network("tcp", "192.0.2.7", 5025, &told, "x._scpi-raw._tcp.local.");
        assert_eq!(raw.address.as_deref(), Some("tcp://192.0.2.7:5025"));
        assert_eq!(raw.description, "Tarn End, Simulated source");
        let six = network(
            "hislip",
            "2001:db8::7",
            4880,
            &|_| None,
            "bench two._hislip._tcp.local.",
        );
        assert_eq!(six.address.as_deref(), Some("hislip://[2001:db8::7]:4880"));
        assert_eq!(six.description, "bench two");
        let page = network("lxi", "192.0.2.7", 80, &told, "x._lxi._tcp.local.");
        assert!(page.address.is_none() && !page.may_be_asked);
        for found in [raw, six] {
            let address = found.address.expect("address");
            address.parse::<crate::config::Address>().expect(&address);
        }
    }

    #[test]
    fn only_test_and_measurement_devices_are_named() {
        let folder = tempfile::tempdir().expect("folder");
        for name in ["usbtmc0", "usbtmc12", "usbtmc", "usbtmcx", "ttyS0"] {
            std::fs::write(folder.path().join(name), "").expect("file");
        }
        let found = usb_devices(folder.path());
        assert_eq!(found.len(), 2);
        assert!(
            found[0]
                .address
                .as_deref()
                .is_some_and(|a| a.ends_with("/usbtmc0"))
        );
    }
}
