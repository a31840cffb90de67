"""Every command with every kind of wrong file: status 2, and a line that says what is wrong."""

from __future__ import annotations

from pathlib import Path

import pytest

from tests.cli.calls import BENCH, BOARD, FIXTURES, SESSION, call

RECORDING = FIXTURES / "recordings" / "good.jsonl"
RESISTOR = ("--resistor", "1 Mohm 0.1 %", "--voltage", "3 V", "--yes")
CHARACTERISE = ("--bench", BENCH, "--state", "idle", "--for", "10 min")

# FILE stands for the wrong one.
CALLS = {
    "run session": ("run", "FILE", "--bench", BENCH),
    "run bench": ("run", SESSION, "--bench", "FILE"),
    "run faults": ("run", SESSION, "--bench", BENCH, "--fault-plan", "FILE"),
    "check session": ("check", "FILE", "--bench", BENCH),
    "check bench": ("check", SESSION, "--bench", "FILE", "--files-only"),
    "characterise": ("characterise", "FILE", *CHARACTERISE),
    "zero": ("zero", "--bench", "FILE", "--yes"),
    "verify-meter": ("verify-meter", "--bench", "FILE", *RESISTOR),
    "simulate": ("simulate", "FILE"),
    "simulate meter": ("simulate", BOARD, "--meter", "FILE"),
    "replay": ("replay", "FILE"),
    "replay session": ("replay", RECORDING, "--session", "FILE"),
    "show": ("recording", "show", "FILE"),
    "scrub": ("recording", "scrub", "FILE", "scrubbed.jsonl"),
    "judge": ("judge", "FILE", "--session", SESSION),
}
CONTENTS = {
    "empty": b"",
    "no TOML": b"hello world\n",
    "UTF-16": 'format = "x"\n'.encode("utf-16"),
    "bytes": bytes(range(256)),
    "list": b"[]\n",
}


@pytest.mark.parametrize("words", CALLS.values(), ids=CALLS.keys())
@pytest.mark.parametrize("wrong", ["missing", "folder", "below a file", *CONTENTS])
def test_a_wrong_file(
    words: tuple[str | Path, ...], wrong: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(tmp_path)
    path = tmp_path / "wrong"
    if wrong == "folder":
        path.mkdir()
    elif wrong == "below a file":
        path.write_bytes(b"")
        path = path / "file"
    elif wrong != "missing":
        path.write_bytes(CONTENTS[wrong])
    before = sorted(tmp_path.iterdir())
    result = call(*(path if word == "FILE" else word for word in words))
    assert result.exit_code == 2, result.output
    assert str(path) in result.output
    # Neither Python's nor a library's way of saying it, and no more than lines with the file.
    for foreign in ("[Errno", "pydantic", "validation error", "internal_error", "None"):
        assert foreign not in result.output
    assert all(line.startswith(str(path)) for line in result.output.splitlines())
    assert sorted(tmp_path.iterdir()) == before, "something was left behind"


@pytest.mark.parametrize("for_how_long", ["0 s", "-5 min", "5", "x", "10 kg", "8 d", "1e300 s"])
def test_a_senseless_time_to_record(for_how_long: str, tmp_path: Path) -> None:
    words = ("--bench", BENCH, "--state", "idle", "--for", for_how_long, "--out", tmp_path)
    result = call("characterise", SESSION, *words)
    assert result.exit_code == 2
    assert not list(tmp_path.iterdir())


@pytest.mark.parametrize("resistor", ["1 Mohm 200 %", "1 Mohm 50 %", "0 ohm 1 %"])
def test_a_senseless_resistor(resistor: str) -> None:
    result = call("verify-meter", "--bench", BENCH, "--resistor", resistor, "--voltage", "3 V")
    assert result.exit_code == 2
    assert "above zero and below 50 %" in " ".join(result.output.split())


def test_options_are_shown_in_words() -> None:
    result = call("recording", "show", RECORDING, "--steps", "--to", "0")
    assert result.exit_code == 0
    assert "options: repeat 1\n" in result.output


@pytest.mark.parametrize("option", ["--from", "--to"])
def test_a_time_that_is_no_number(option: str) -> None:
    result = call("recording", "show", RECORDING, option, "nan")
    assert result.exit_code == 2
    assert "is no number of seconds" in result.output


@pytest.mark.parametrize("place", ["there", "no/folder.jsonl"])
def test_a_place_where_nothing_can_be_recorded(place: str, tmp_path: Path) -> None:
    there = tmp_path / "there"
    there.write_bytes(b"kept")
    for words in (
        ("run", SESSION, "--bench", BENCH, "--out", tmp_path, "--record", tmp_path / place),
        ("recording", "scrub", RECORDING, tmp_path / place),
    ):
        result = call(*words)
        assert result.exit_code == 2
        assert str(tmp_path / place) in result.output
        assert [each.name for each in tmp_path.iterdir()] == ["there"]
    assert there.read_bytes() == b"kept"


@pytest.mark.parametrize("command", ["run", "characterise"])
def test_an_out_that_is_a_file(command: str, tmp_path: Path) -> None:
    there = tmp_path / "there"
    there.write_bytes(b"kept")
    more = ("--only", "idle") if command == "run" else CHARACTERISE[2:]
    result = call(command, SESSION, "--bench", BENCH, *more, "--out", there)
    assert result.exit_code == 2
    assert "it is no folder" in result.output
    assert there.read_bytes() == b"kept"


def test_a_misspelt_state_to_characterise(tmp_path: Path) -> None:
    words = ("--state", "idel", "--for", "10 min", "--out", tmp_path)
    result = call("characterise", SESSION, "--bench", BENCH, *words)
    assert result.exit_code == 2
    assert "did you mean 'idle'?" in result.output


@pytest.mark.parametrize("address", ["socket://x", "socket://x:99999", "rfc2217://:1"])
def test_an_address_on_the_network_without_host_or_port(address: str) -> None:
    result = call("find", address)
    assert result.exit_code == 4
    assert "instances of" not in result.output
    assert "needs host and port" in result.output or "0-65535" in result.output
