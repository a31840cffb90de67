"""The file: what is in it, and that whatever is wrong with it is said and nothing is lost by it."""

from __future__ import annotations

import json
import random
import re
import zlib
from contextlib import suppress
from pathlib import Path
from typing import Any

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from benchrig.errors import FileProblems, UsageError
from benchrig.events import Event, StateEnded
from benchrig.records import recording as format_of
from benchrig.records.entries import Note, as_json, from_json
from benchrig.records.recording import (
    MIGRATIONS,
    Options,
    RecordingFile,
    load_recording,
    read_objects,
    sealed,
)
from benchrig.records.sources import Source
from benchrig.wires.recording import Act, Failure, Told
from tests.benches import HASTY, rig
from tests.recordings import RECORDINGS, Recorded, record, synced_lines
from tests.records.killing import killed

GOOD = RECORDINGS / "good.jsonl"


@pytest.fixture(scope="module")
def hasty(tmp_path_factory: pytest.TempPathFactory) -> Recorded:
    return record(tmp_path_factory.mktemp("hasty") / "r.jsonl", session=HASTY)


def problem(path: Path) -> str:
    with pytest.raises(FileProblems) as caught:
        load_recording(path)
    return str(caught.value)


# -- what is in it --------------------------------------------------------------------------


def test_the_header_stands_alone() -> None:
    """With the files that a session is made from, and where it ran; with no place of a machine."""
    recording = load_recording(GOOD)
    header = recording.header
    assert set(header.sources) == {"session", "bench", "sheet"}
    session = header.sources["session"]
    assert session.name == "fixtures/hive-scale.session.toml"
    assert 'name = "hive-scale"' in session.text
    assert [wire.name for wire in header.wires] == ["board", "meter", "supply"]
    raw = json.loads(GOOD.read_text("utf-8").splitlines()[0])
    assert raw["format"] == "benchrig/recording/1"
    assert raw["files"]["session"]["sha256"] == session.sha256


def test_all_that_crossed_the_wires_is_there(hasty: Recorded) -> None:
    acts = hasty.recording.acts
    sent = [act.data for act in acts if act.kind == "write" and act.wire == "meter"]
    assert b"*IDN?\n" in sent
    assert any(data.startswith(b"INIT") for data in sent)
    blocks = [act.data for act in acts if act.kind == "read" and act.data.startswith(b"#")]
    assert len(blocks) > 10
    times = [entry.time_s for entry in hasty.recording.entries]
    assert times == sorted(times)
    assert {"open", "close", "lines"} - {act.kind for act in acts} == {"lines"}
    assert [row["name"] for row in hasty.recording.rows] == [
        row.name for row in hasty.result.states
    ]
    assert hasty.recording.result == hasty.result.model_dump(mode="json")


def test_blocks_are_packed_and_text_is_text(hasty: Recorded) -> None:
    lines = hasty.path.read_text("ascii").splitlines()
    assert any('"text":"*IDN?\\n"' in line for line in lines)
    block = next(line for line in lines if '"base64"' in line)
    payload = re.search(r'"base64":"([^"]*)"', block)
    assert payload is not None
    assert len(block) < len(payload[1]) + 100


ACTS = st.builds(
    Act,
    kind=st.sampled_from(["open", "close", "write", "read", "lines", "check", "listener"]),
    wire=st.sampled_from(["board", "meter"]),
    time_s=st.floats(0, 1e6),
    data=st.binary(max_size=40),
    levels=st.dictionaries(st.sampled_from(["dtr", "rts", "brk"]), st.booleans(), max_size=3),
    count=st.integers(0, 1000),
    failure=st.none() | st.builds(Failure, st.text(), st.text(), st.text()),
    told=st.none() | st.builds(Told, st.text(), st.text(), st.just({"wire": "board"})),
)
NOTES = st.builds(
    Note,
    op=st.sampled_from(["state", "step", "row", "result"]),
    time_s=st.floats(0, 1e6),
    kind=st.text(),
    state=st.none() | st.text(min_size=1),
    text=st.text(),
    content=st.dictionaries(st.text(), st.integers() | st.text(), max_size=3),
)


@settings(max_examples=300, derandomize=True, deadline=None, database=None)
@given(ACTS | NOTES)
def test_an_entry_comes_back_as_it_was(entry: Act | Note) -> None:
    line, _ = sealed(as_json(entry), 0)
    assert from_json(json.loads(line), 0) == entry


# -- on disk --------------------------------------------------------------------------------


@pytest.mark.parametrize("defect", ["", "dead-uart", "stuck-awake"])
def test_each_state_is_on_disk_once_it_has_ended(
    defect: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    path = tmp_path / "r.jsonl"
    synced = synced_lines(path, monkeypatch)
    result = record(path, session=HASTY, defect=defect).result
    rows = [line["state"] for line in synced if line.get("op") == "row"]
    assert rows == [row.name for row in result.states]
    assert any(line.get("op") == "result" for line in synced)
    assert "crc" in synced[-1]


# -- a file that is not whole ---------------------------------------------------------------


def test_a_torn_last_line_is_told_and_ignored(hasty: Recorded, tmp_path: Path) -> None:
    data = hasty.path.read_bytes()
    whole = hasty.recording
    path = tmp_path / "torn.jsonl"
    for cut in (1, 2, 30):
        path.write_bytes(data[:-cut])
        torn = load_recording(path)
        assert torn.torn == len(torn.entries) + 2
        assert torn.entries == whole.entries[: len(torn.entries)]
        assert len(torn.entries) == len(whole.entries) - 1


def test_a_cut_anywhere_loses_one_line(hasty: Recorded, tmp_path: Path) -> None:
    data, random_ = hasty.path.read_bytes(), random.Random(4)
    first = data.index(b"\n") + 1
    path = tmp_path / "cut.jsonl"
    for _ in range(50):
        at = random_.randrange(first, len(data))
        path.write_bytes(data[:at])
        lines = data[:at].count(b"\n")
        assert len(load_recording(path).entries) == lines - 1


def test_not_even_a_header(tmp_path: Path) -> None:
    path = tmp_path / "r.jsonl"
    assert "cannot be read" in problem(path)
    path.write_bytes(b"")
    assert "r.jsonl:1: is no recording" in problem(path)
    path.write_bytes(b'{"format":"benchrig/rec')
    assert "r.jsonl:1: is no recording" in problem(path)


def test_damage_elsewhere_names_its_line(hasty: Recorded, tmp_path: Path) -> None:
    lines = hasty.path.read_bytes().splitlines(keepends=True)
    path, random_ = tmp_path / "damaged.jsonl", random.Random(11)
    for _ in range(40):
        number = random_.randrange(1, len(lines) + 1)
        line = bytearray(lines[number - 1])
        line[random_.randrange(len(line) - 1)] ^= 1 << random_.randrange(7)
        path.write_bytes(b"".join([*lines[: number - 1], bytes(line), *lines[number:]]))
        told = problem(path)
        # A bit can make a line end of a byte; then the damage begins in the same line all the same.
        assert f"damaged.jsonl:{number}: " in told, (number, told)


@pytest.mark.parametrize("change", ["lost", "doubled", "swapped"])
def test_a_line_in_the_wrong_place(change: str, hasty: Recorded, tmp_path: Path) -> None:
    lines = hasty.path.read_bytes().splitlines(keepends=True)
    match change:
        case "lost":
            del lines[20]
        case "doubled":
            lines.insert(20, lines[20])
        case "swapped":
            lines[20], lines[21] = lines[21], lines[20]
    path = tmp_path / "r.jsonl"
    path.write_bytes(b"".join(lines))
    assert re.search(r"r\.jsonl:2[12]: is damaged, or a line before it is missing", problem(path))


def test_a_damaged_last_line_with_its_end_is_damage(hasty: Recorded, tmp_path: Path) -> None:
    data = hasty.path.read_bytes()
    path = tmp_path / "r.jsonl"
    path.write_bytes(data[:-10] + b"x" + data[-9:])
    assert f":{len(data.splitlines())}: " in problem(path)


def test_a_recording_is_never_overwritten(hasty: Recorded) -> None:
    before = hasty.path.read_bytes()
    with pytest.raises(UsageError, match="is there already"):
        record(hasty.path, session=HASTY)
    damaged = hasty.path.with_name("damaged.jsonl")
    damaged.write_bytes(b"no recording at all")
    with pytest.raises(UsageError, match="is there already"):
        record(damaged, session=HASTY)
    assert (hasty.path.read_bytes(), damaged.read_bytes()) == (before, b"no recording at all")


# -- versions -------------------------------------------------------------------------------


def rewritten(path: Path, target: Path, **header: Any) -> Path:
    """With another header, and all lines sealed anew."""
    objects, _ = format_of.read_objects(path)
    objects[0] |= header
    crc, lines = 0, []
    for content in objects:
        line, crc = sealed(content, crc)
        lines.append(line)
    target.write_bytes(b"".join(lines))
    return target


@pytest.mark.parametrize("name", ["benchrig/recording/2", "benchrig/recording/0"])
def test_another_version_is_refused_by_name(name: str, hasty: Recorded, tmp_path: Path) -> None:
    path = rewritten(hasty.path, tmp_path / "r.jsonl", format=name)
    told = problem(path)
    assert f"r.jsonl:1: format is '{name}'; this version of benchrig reads" in told
    assert "'benchrig/recording/1'" in told


@pytest.mark.parametrize("end", ["", ',"sum":"00"', ',"crc":"00000000"'])
def test_another_version_may_end_its_lines_otherwise(
    end: str, hasty: Recorded, tmp_path: Path
) -> None:
    first, _, rest = hasty.path.read_text().partition("\n")
    body = first[: first.rindex(',"crc"')].replace("recording/1", "recording/2", 1)
    path = tmp_path / "r.jsonl"
    path.write_text(f"{body}{end}}}\n{rest}")
    assert "r.jsonl:1: format is 'benchrig/recording/2'; this version" in problem(path)


def test_another_kind_of_file_is_refused(hasty: Recorded, tmp_path: Path) -> None:
    path = rewritten(hasty.path, tmp_path / "r.jsonl", format="benchrig/result/1")
    assert "this is no recording" in problem(path)


def test_an_older_version_is_migrated(
    hasty: Recorded, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Version 0, of which there never was a recording, called the options otherwise."""

    def migrate(objects: list[dict[str, Any]]) -> list[dict[str, Any]]:
        header, *rest = objects
        return [header | {"options": header["settings"]}, *rest]

    monkeypatch.setitem(MIGRATIONS, 0, migrate)
    old = {"format": "benchrig/recording/0", "settings": {"repeat": 3}, "options": None}
    path = rewritten(hasty.path, tmp_path / "r.jsonl", **old)
    recording = load_recording(path)
    assert recording.header.options == Options(repeat=3)
    assert recording.entries == hasty.recording.entries


def test_a_file_that_is_not_the_one_of_its_checksum(hasty: Recorded, tmp_path: Path) -> None:
    files = {"session": {"name": "s.toml", "sha256": "0" * 64, "text": "x"}}
    path = rewritten(hasty.path, tmp_path / "r.jsonl", files=files)
    assert "the content of s.toml is not what its SHA-256 says" in problem(path)


WIRE = {"name": "meter", "address": "x", "keeps_messages": False}


@pytest.mark.parametrize(
    ("key", "value"),
    [
        ("options", {"repeat": "3"}),
        ("options", {"repeat": 0}),
        ("options", {"repeat": 10**30}),
        ("options", {"only": [["idle"]]}),
        ("options", {"operator": 3}),
        ("options", {"aim": "else"}),
        ("options", "none"),
        ("files", []),
        ("files", {"session": {"sha256": Source("", "").sha256}}),
        ("files", {"session": {"name": [], "text": "", "sha256": Source("[]", "").sha256}}),
        ("wires", [WIRE | {"name": {}}]),
        ("wires", [WIRE | {"keeps_messages": 1}]),
        ("wires", ["meter"]),
        ("started", "9999-01-01T00:00:00+00:00"),
        ("started", "2026-01-01T00:00:00"),
        ("start_s", 1e300),
    ],
)
def test_a_header_that_says_what_cannot_be(
    key: str, value: Any, hasty: Recorded, tmp_path: Path
) -> None:
    path = rewritten(hasty.path, tmp_path / "r.jsonl", **{key: value})
    assert "r.jsonl:1: " in problem(path)


# -- nonsense -------------------------------------------------------------------------------

JSON = st.recursive(
    st.none() | st.booleans() | st.integers() | st.floats() | st.text(max_size=8),
    lambda inner: st.lists(inner, max_size=3) | st.dictionaries(st.text(max_size=5), inner),
    max_leaves=6,
)
KEYS = ["t", "op", "wire", "text", "base64", "levels", "for", "event", "failed", "told", "content"]
NONSENSE = st.dictionaries(st.sampled_from(KEYS), JSON) | st.fixed_dictionaries(
    {"t": st.floats(0, 10), "op": st.sampled_from(["read", "row", "sleep", "told", "lines"])},
    optional=dict.fromkeys(KEYS[2:], JSON),
)


@settings(
    max_examples=500,
    derandomize=True,
    deadline=None,
    database=None,
    suppress_health_check=list(HealthCheck),
)
@given(NONSENSE | JSON, st.booleans())
def test_only_errors_of_our_own_come_out(
    tmp_path_factory: pytest.TempPathFactory, content: Any, as_header: bool
) -> None:
    text = json.dumps(content)
    if not text.endswith("}") or text == "{}":
        return
    path = tmp_path_factory.getbasetemp() / "nonsense.jsonl"
    body = text[:-1].encode("ascii")
    header, crc = sealed(json.loads(GOOD.read_text("utf-8").splitlines()[0]) | {"crc": 0}, 0)
    before = b"" if as_header else header
    crc = zlib.crc32(body, 0 if as_header else crc)
    path.write_bytes(before + body + f',"crc":"{crc:08x}"}}\n'.encode())
    with suppress(FileProblems):
        load_recording(path)


@settings(max_examples=300, derandomize=True, deadline=None, database=None)
@given(data=st.binary(max_size=200))
def test_bytes_are_no_recording(tmp_path_factory: pytest.TempPathFactory, data: bytes) -> None:
    path = tmp_path_factory.getbasetemp() / "bytes.jsonl"
    path.write_bytes(data)
    with pytest.raises(FileProblems):
        load_recording(path)


# -- a disk that takes no more --------------------------------------------------------------


def test_a_full_disk_ends_the_session_and_leaves_the_bench_safe(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    put, count = RecordingFile.put, 0

    def failing(self: RecordingFile, content: Any) -> None:
        nonlocal count
        count += 1
        if count > 300:
            raise OSError(28, "No space left on device")
        put(self, content)

    monkeypatch.setattr(RecordingFile, "put", failing)
    made = rig(session=HASTY)
    recorded = record(tmp_path / "r.jsonl", made)
    assert recorded.result.fault is not None
    assert recorded.result.fault.kind == "record_failed"
    assert "No space left" in recorded.result.fault.message
    assert made.on_highest_range
    assert len(recorded.recording.entries) == 299


def test_no_folder_to_record_into(tmp_path: Path) -> None:
    with pytest.raises(UsageError, match="there is no folder"):
        record(tmp_path / "none" / "r.jsonl", session=HASTY)


# -- a process that is killed ---------------------------------------------------------------


def test_a_state_is_on_disk_once_it_has_ended(tmp_path: Path) -> None:
    path = tmp_path / "r.jsonl"
    seen: list[int] = []

    def look(event: Event) -> None:
        if isinstance(event, StateEnded):
            seen.append(len(load_recording(path).rows))

    record(path, session=HASTY, listeners=[look])
    assert seen == [1, 2, 3]


@pytest.mark.parametrize("seed", range(2026, 2046))
def test_kill_at_a_random_moment(seed: int, tmp_path: Path) -> None:
    """scripts/kill_recordings.py does it a hundred times."""
    assert killed(tmp_path / "r.jsonl", random.Random(seed).random()) is None


@pytest.mark.parametrize(
    ("options", "words"),
    [
        ([], "options must be an object"),
        ({"colour": "red"}, "options must be an object"),
        ({"only": "idle"}, "options.only must be a list"),
        ({"only": [1]}, "options.only must be a list"),
        ({"repeat": "3"}, "options.repeat must be a whole number"),
        ({"repeat": 0}, "options.repeat must be a whole number"),
        ({"repeat": True}, "options.repeat must be a whole number"),
        ({"serial_number": 7}, "options.serial_number must be text"),
        ({"note": ["x"]}, "options.note must be text"),
        ({"aim": "fame"}, "options.aim must be"),
        ({"aim": []}, "options.aim must be text"),
    ],
)
def test_options_of_a_wrong_type_are_told(options: Any, words: str, tmp_path: Path) -> None:
    header, *_ = read_objects(GOOD)[0]
    path = tmp_path / "r.jsonl"
    line, _ = sealed(header | {"options": options}, 0)
    path.write_bytes(line)
    with pytest.raises(FileProblems, match=words) as caught:
        load_recording(path)
    assert [problem.line for problem in caught.value.problems] == [1]
