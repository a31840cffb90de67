"""The example under fixtures/firmware-tests in all three ways: on a simulated board, live over a
pty and TCP ports, and replayed where ports and the network are forbidden."""

from __future__ import annotations

from pathlib import Path
from xml.etree import ElementTree

import pytest

from benchrig.records.recording import load_recording
from tests.cli.calls import edited, served
from tests.testing.projects import EXAMPLE, ROOT, copy_of_example, run_pytest

NAMES = {
    "test_current[idle]",
    "test_current[deep_sleep]",
    "test_deep_sleep_ends_in_time",
    "test_deep_sleep_again_draws_the_same",
    "test_the_whole_session",
}
# What any library does about sockets and devices comes past this.
FORBIDDING = r"""
import sys

def forbid(event, arguments):
    path = str(arguments[0]) if event == "open" else ""
    device = path.startswith("/dev/") and path != "/dev/null"
    if event.startswith("socket.") or device:
        raise AssertionError(f"{event} of {arguments} in a replay")

sys.addaudithook(forbid)
"""


def properties(report: Path) -> dict[str, dict[str | None, str | None]]:
    """Of each test that passed, by its name, from the file that pytest has written."""
    root = ElementTree.parse(report).getroot()
    return {
        str(case.get("name")): {e.get("name"): e.get("value") for e in case.iter("property")}
        for case in root.iter("testcase")
        if not [child for child in case if child.tag != "properties"]
    }


def test_on_a_simulated_board(tmp_path: Path) -> None:
    report = tmp_path / "report.xml"
    done = run_pytest(EXAMPLE, "--bench-simulated", f"--junitxml={report}")
    assert done.status == 0, done.said
    told = properties(report)
    assert told.keys() == NAMES
    for about in told.values():
        assert (about["bench_is"], about["simulated_seed"]) == ("simulated", "1")
        assert (about["serial_number"], about["firmware"]) == ("HS-0042", "1.4.2")
    assert str(told["test_current[deep_sleep]"]["deep_sleep"]).startswith("pass: (59")


def test_replayed_without_ports_or_network(tmp_path: Path) -> None:
    (tmp_path / "forbidding.py").write_text(FORBIDDING, "utf-8")
    report = tmp_path / "report.xml"
    words = ("-p", "forbidding", f"--rootdir={EXAMPLE}", "-c", EXAMPLE / "pytest.ini", EXAMPLE)
    done = run_pytest(tmp_path, *words, "--bench-strict", f"--junitxml={report}")
    assert done.status == 0, done.said
    assert {name: about["bench_is"] for name, about in properties(report).items()} == (
        dict.fromkeys(NAMES, "replayed")
    )


@pytest.mark.parametrize("act", ["socket.socket()", "open('/dev/ptmx')"])
def test_what_is_forbidden_is_found_out(tmp_path: Path, act: str) -> None:
    (tmp_path / "forbidding.py").write_text(FORBIDDING, "utf-8")
    (tmp_path / "test_it.py").write_text(f"import socket\ndef test_it(): {act}\n", "utf-8")
    done = run_pytest(tmp_path, "-p", "forbidding")
    assert "in a replay" in done.said


def test_live_over_a_pty_and_ports_and_then_replayed(tmp_path: Path) -> None:
    folder = copy_of_example(tmp_path)
    session = folder / "hive-scale.session.toml"
    # The board runs at ten times its pace: time constants and guards are as much shorter.
    changes = (
        ('guard = "1.5 s"', 'guard = "150 ms"'),
        ('"2 s"', '"200 ms"'),
        ('guard = "2.5 s"', 'guard = "250 ms"'),
        ("[settling]\n", '[settling]\ntime_limit = "20 s"\n'),
        ("reboots = true }\n", 'reboots = true }\nquiet = "100 ms"\n'),
    )
    edited(session, session, *changes)
    with served(tmp_path, "--supply") as bench:
        words = (f"--bench-file={bench.bench}", "--bench-record=all")
        report = tmp_path / "live.xml"
        done = run_pytest(folder, *words, f"--junitxml={report}")
        assert done.status == 0, done.said
    assert {about["bench_is"] for about in properties(report).values()} == {"live"}
    made = sorted((folder / "recordings" / "test_sleep_current").iterdir())
    assert [path.name for path in made] == sorted(
        path.name for path in (EXAMPLE / "recordings" / "test_sleep_current").iterdir()
    )
    for path in made:
        header = load_recording(path).header
        addresses = {wire.name: wire.address for wire in header.wires}
        assert addresses["board"] == bench.pty
        assert addresses["meter"].startswith("TCPIP::127.0.0.1::")
    (folder / "forbidding.py").write_text(FORBIDDING, "utf-8")
    again = run_pytest(folder, "-p", "forbidding", "--bench-strict", f"--junitxml={report}")
    assert again.status == 0, again.said
    assert {about["bench_is"] for about in properties(report).values()} == {"replayed"}


def test_the_shipped_recordings_name_no_place() -> None:
    for path in EXAMPLE.rglob("*.jsonl"):
        names = [source.name for source in load_recording(path).header.sources.values()]
        assert names
        assert not [name for name in names if Path(name).is_absolute()]
        assert str(ROOT) not in path.read_text("utf-8")
