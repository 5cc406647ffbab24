"""Reads the identity and the trace that stands in a simulated receiver with public instrument-control
clients, over every transport they have. `tests/wire/peers.rs` runs it, gives it the addresses as JSON and
compares what it prints, one JSON object per line, with what muffle's own links read.

    python3 -m venv VENV && VENV/bin/pip install -r tests/peers/requirements.txt
    MUFFLE_PEERS=VENV/bin/python cargo test --test wire peers -- --ignored --nocapture
"""

import json
import re
import sys

import pyvisa
import vxi11

def block(answer):
    """The data of a definite-length block (IEEE 488.2, 8.7.9)."""
    if answer[:1] != b"#":
        raise ValueError("no block: %r" % answer[:20])
    digits = int(answer[1:2])
    length = int(answer[2 : 2 + digits])
    data = answer[2 + digits : 2 + digits + length]
    if len(data) != length:
        raise ValueError("a block of %d bytes where %d were announced" % (len(data), length))
    return data


def pyvisa_names(ways):
    tcp = re.fullmatch(r"tcp://(.*):(\d+)", ways["tcp"]).groups()
    hislip = re.fullmatch(r"hislip://(.*):(\d+)/hislip0", ways["hislip"]).groups()
    vxi = re.fullmatch(r"vxi11://(.*)/inst0\?port=(\d+)", ways["vxi11"]).groups()
    serial = re.fullmatch(r"serial://(/dev/[^?]*).*", ways["serial"]).group(1)
    return {
        "raw socket": "TCPIP::%s::%s::SOCKET" % tcp,
        "HiSLIP": "TCPIP::%s::hislip0,%s::INSTR" % hislip,
        "VXI-11": "TCPIP::%s,%s::inst0::INSTR" % vxi,
        "serial": "ASRL%s::INSTR" % serial,
    }


def by_pyvisa(name):
    manager = pyvisa.ResourceManager("@py")
    device = manager.open_resource(name)
    device.timeout = 10_000
    device.read_termination = "\n"
    device.write_termination = "\n"
    identity = device.query("*IDN?")
    device.write("TRAC:DATA? TRACE1")
    if name.startswith("ASRL") or name.endswith("SOCKET"):
        # Where no end is marked a newline would end the read, and the block is full of them.
        device.read_termination = None
        header = device.read_bytes(2)
        header += device.read_bytes(int(header[1:2]))
        answer = header + device.read_bytes(int(header[2:]) + 1)
        device.read_termination = "\n"
    else:
        device.read_termination = None
        answer = device.read_raw()
        device.read_termination = "\n"
    errors = device.query("SYST:ERR?")
    device.close()
    return identity, block(answer), errors


def by_python_vxi11(ways):
    host, port = re.fullmatch(r"vxi11://(.*)/inst0\?port=(\d+)", ways["vxi11"]).groups()
    # This client only knows the portmapper: it is handed the connection it would have made.
    device = vxi11.Instrument(host, "inst0")
    device.client = vxi11.vxi11.CoreClient(host, int(port))
    device.timeout = 10
    error, link, _abort, size = device.client.create_link(device.client_id, 0, 10_000, b"inst0")
    if error:
        raise ValueError("create_link: error %d" % error)
    device.link, device.max_recv_size = link, min(size, 1 << 20)
    identity = device.ask("*IDN?")
    answer = device.ask_raw(b"TRAC:DATA? TRACE1")
    errors = device.ask("SYST:ERR?")
    device.client.destroy_link(link)
    return identity, block(answer), errors


def main(addresses):
    receiver = json.loads(addresses)
    readings = []
    for transport, name in pyvisa_names(receiver).items():
        readings.append(("PyVISA %s" % pyvisa.__version__, transport, by_pyvisa(name)))
    readings.append(("python-vxi11 %s" % vxi11.__version__, "VXI-11", by_python_vxi11(receiver)))
    for client, transport, (identity, trace, errors) in readings:
        print(
            json.dumps(
                {
                    "client": client,
                    "transport": transport,
                    "identity": identity.strip(),
                    "trace": trace.hex(),
                    "errors": errors.strip(),
                }
            )
        )


if __name__ == "__main__":
    main(sys.argv[1])
