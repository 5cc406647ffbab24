"""Opens the simulated bench with public instrument-control clients over every transport, and checks that
each reads the same identity and, to the last bit, the same trace.

    python3 -m venv VENV && VENV/bin/pip install -r tests/peers/requirements.txt
    VENV/bin/python tests/peers/read_trace.py target/debug/muffle

Prints one line per client and transport; ends with 1 when any of them differs.
"""

import json
import re
import subprocess
import sys

import pyvisa
import vxi11

POINTS = 1001
SET_UP = (
    "*RST;:INIT:CONT OFF;:SWE:POIN %d;:FORM REAL,32;:FORM:BORD NORM;:INIT;*WAI" % POINTS
)
IDENTITY = "Tarn End,Simulated receiver,0002,1.0"


def block(answer):
    """The data of a definite-length block (IEEE 488.2, 8.7.9)."""
    assert answer[:1] == b"#", answer[:20]
    digits = int(answer[1:2])
    length = int(answer[2 : 2 + digits])
    data = answer[2 + digits : 2 + digits + length]
    assert len(data) == length, (len(data), length)
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
    device.write(SET_UP)
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
    assert error == 0, error
    device.link, device.max_recv_size = link, min(size, 1 << 20)
    device.write(SET_UP)
    identity = device.ask("*IDN?")
    answer = device.ask_raw(b"TRAC:DATA? TRACE1")
    errors = device.ask("SYST:ERR?")
    device.client.destroy_link(link)
    return identity, block(answer), errors


def main(muffle):
    bench = subprocess.Popen(
        [muffle, "sim", "--json"], stdout=subprocess.PIPE, stderr=subprocess.DEVNULL, text=True
    )
    try:
        receiver = json.loads(bench.stdout.readline())["receiver"]
        readings = {}
        for transport, name in pyvisa_names(receiver).items():
            readings["PyVISA %s, %s" % (pyvisa.__version__, transport)] = by_pyvisa(name)
        readings["python-vxi11 %s, VXI-11" % vxi11.__version__] = by_python_vxi11(receiver)
    finally:
        bench.terminate()
        bench.wait()
    failed = 0
    for who, (identity, trace, errors) in readings.items():
        good = (
            identity.strip() == IDENTITY
            and len(trace) == 4 * POINTS
            and errors.strip() == '0,"No error"'
        )
        failed += not good
        print("%-28s %s %d bytes, %s: %s" % (who, identity, len(trace), errors, "ok" if good else "FAILED"))
    print("%d passed, %d failed" % (len(readings) - failed, failed))
    return 1 if failed else 0


if __name__ == "__main__":
    sys.exit(main(sys.argv[1]))
