"""What is taken out of a recording, and what must stay as it was."""

from __future__ import annotations

import base64
import json
import struct
from pathlib import Path
from typing import Any

import pytest

from benchrig.records.recording import Recording, RecordingFile, load_recording, read_objects
from benchrig.records.scrubbing import scrub
from benchrig.records.sources import Source, parse_sources
from benchrig.wires.recording import Act
from tests.recordings import RECORDINGS

HEADER = read_objects(RECORDINGS / "good.jsonl")[0][0]


def scrubbed(tmp_path: Path, *entries: dict[str, Any], **header: Any) -> tuple[Recording, str]:
    """A recording of these entries without its names, and as the text that it is on disk."""
    path, out = tmp_path / "r.jsonl", tmp_path / "out.jsonl"
    header = json.loads(json.dumps(HEADER | header))
    for entry in header["files"].values():
        entry["sha256"] = Source(entry["name"], entry["text"]).sha256
    file = RecordingFile(path, header)
    for time_s, entry in enumerate(entries):
        file.put({"t": time_s, **entry})
    file.close()
    scrub(path, out)
    recording = load_recording(out)
    parse_sources(recording.header.sources)
    return recording, out.read_text("ascii")


def read(data: bytes, wire: str = "meter") -> dict[str, Any]:
    return {"op": "read", "wire": wire, "base64": base64.b64encode(data).decode("ascii")}


def said(recording: Recording) -> bytes:
    return b"".join(act.data for act in recording.entries if isinstance(act, Act))


def with_bench(text: str) -> dict[str, Any]:
    """The files, with this in front of the bench file."""
    files: dict[str, Any] = json.loads(json.dumps(HEADER["files"]))
    files["bench"]["text"] = text + files["bench"]["text"]
    return files


def wires(address: str) -> list[dict[str, Any]]:
    return [{"name": "meter", "address": address, "keeps_messages": False}]


def test_readings_that_look_like_an_identity_stay(tmp_path: Path) -> None:
    """A block of numbers in which all the commas of one happen to be."""
    block = b"#240" + b"Ax,bcdef" * 3 + b"HS0042,\xe9" + struct.pack(">d", 1e-3) + b"\n"
    recording, _ = scrubbed(tmp_path, read(block))
    assert said(recording) == block


@pytest.mark.parametrize("serial", ["1234567", "MY-12", "0042", "7"])
def test_serial_numbers_of_instruments(serial: str, tmp_path: Path) -> None:
    answer = f"Invented,Meter 1,{serial},1.0"
    step = {"op": "step", "kind": "meter", "text": f"meter: {answer}"}
    recording, text = scrubbed(tmp_path, read(f"{answer}\n1.5,2.5,7.0,3\n".encode()), step)
    assert f",{serial}," not in said(recording).decode().splitlines()[0]
    assert f",{serial}," not in text.replace("1.5,2.5,7.0,3", "")
    assert said(recording).endswith(b",1.0\n1.5,2.5,7.0,3\n")
    assert len(said(recording)) == len(answer) + 15


def test_the_serial_number_of_an_instrument_in_its_address(tmp_path: Path) -> None:
    address = "USB0::0x1234::0x5678::SN000321::INSTR"
    _, text = scrubbed(tmp_path, wires=wires(address), files=with_bench(f"# {address}\n"))
    assert "SN000321" not in text
    assert "USB0::0x1234::0x5678::XX000000::INSTR" in text


def test_a_short_serial_number_of_the_board(tmp_path: Path) -> None:
    """What is else called 7 is no serial number."""
    pieces = [read(piece, "board") for piece in (b"id sn=", b"7 fw=1.4.7\r\n", b"ok 7\r\n")]
    recording, text = scrubbed(tmp_path, *pieces, options={"serial_number": "7"})
    assert said(recording) == b"id sn=0 fw=1.4.7\r\nok 7\r\n"
    assert recording.header.options.serial_number == "0"
    assert '\\"8 mA\\"' in text


def test_a_serial_number_in_pieces_and_beside_bytes_that_are_no_text(tmp_path: Path) -> None:
    pieces = [read(piece, "board") for piece in (b"\xff\r\nid sn=HS-0", b"0", b"42 fw=1\r\n\xfe")]
    recording, _ = scrubbed(tmp_path, *pieces)
    assert said(recording) == b"\xff\r\nid sn=XX-0000 fw=1\r\n\xfe"
    assert [len(act.data) for act in recording.acts] == [13, 1, 10]


def test_another_name_becomes_another(tmp_path: Path) -> None:
    """As where a serial number was given, and the board said another."""
    names = [f"HS-00{number}" for number in range(41, 53)]
    pieces = [read(f"id sn={name} fw=1\r\n".encode(), "board") for name in names]
    recording, _ = scrubbed(tmp_path, *pieces, options={"serial_number": "HS-0040"})
    said = [act.data for act in recording.acts] + [recording.header.options.serial_number]
    assert len(set(said)) == len(names) + 1
    assert {act.data[:9] for act in recording.acts} == {b"id sn=XX-"}


def test_names_without_digits_that_become_others(tmp_path: Path) -> None:
    files = with_bench("# TCPIP::north::5025::SOCKET TCPIP::south::5025::SOCKET\n")
    _, text = scrubbed(tmp_path, files=files)
    assert "TCPIP::XXXXX::5025::SOCKET TCPIP::XXXXA::5025::SOCKET" in text


def test_part_of_another_word_is_no_serial_number(tmp_path: Path) -> None:
    pieces = [read(piece, "board") for piece in (b"id sn=1234 fw=1\r\n", b"1234", b"5678\r\n")]
    recording, _ = scrubbed(tmp_path, *pieces)
    assert said(recording) == b"id sn=0000 fw=1\r\n12345678\r\n"


@pytest.mark.parametrize("host", ["meter", "lab-7.invalid", "192.0.2.7", "pi", "[2001:db8::7]"])
def test_a_host_may_have_any_name(host: str, tmp_path: Path) -> None:
    address = f"TCPIP::{host}::5025::SOCKET"
    failed = {"name": "CannotOpen", "kind": "cannot_open", "message": f"meter: {address} is gone"}
    act = {"op": "open", "wire": "meter", "failed": failed}
    recording, text = scrubbed(tmp_path, act, wires=wires(address))
    assert f"TCPIP::{host}:" not in text
    assert "db8" not in text
    assert recording.acts[0].wire == "meter"


def test_the_operator_and_the_user(tmp_path: Path) -> None:
    files: dict[str, Any] = json.loads(json.dumps(HEADER["files"]))
    files["bench"]["name"] = "/home/somebody/bench.toml"
    result = {"op": "result", "content": {"operator": "Some Body", "verdict": "pass"}}
    options = {"operator": "Some Body"}
    recording, text = scrubbed(tmp_path, result, options=options, files=files)
    assert "Some" not in text
    assert "somebody" not in text
    assert recording.header.sources["bench"].name == "/home/XXXXXXXX/bench.toml"
    assert recording.result == {"operator": "XXXX XXXX", "verdict": "pass"}


def test_a_name_that_is_written_otherwise(tmp_path: Path) -> None:
    answer = read(b"Invented,Meter 1,MY58000123,1.0\n")
    files = with_bench("# my58000123 at Hive-Lab.invalid\n")
    address = "TCPIP::hive-lab.INVALID::5025::SOCKET"
    _, text = scrubbed(tmp_path, answer, wires=wires(address), files=files)
    assert "# XX00000000 at XXXX-XXX.XXXXXXX\\n" in text
    assert "hive-lab" not in text


@pytest.mark.parametrize(
    "port", ["/dev/cu.usbserial-A5028", "/dev/tty.usbmodemA5028", "hwgrep://A5028"]
)
def test_the_serial_number_of_an_adapter_in_its_port(port: str, tmp_path: Path) -> None:
    _, text = scrubbed(tmp_path, wires=wires(port), files=with_bench(f'# port = "{port}"\n'))
    assert "A5028" not in text
    assert port.replace("A5028", "X0000") in text
