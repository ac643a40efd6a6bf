"""Takes: the collection groups by role and notices changed descriptions."""

import hashlib
import json

import pytest

from harness.errors import BadInput
from harness.recordings import open_recording, open_take, write_collection


@pytest.fixture
def pair(put, describe, codes):
    """An input and an output recording."""
    return [
        put(describe(codes, harness__role=role), codes, f"t-{role}") for role in ("input", "output")
    ]


def _write(tmp_path, streams, **more):
    path = tmp_path / "t.sigmf-collection"
    collection = {"core:version": "1.2.0", "core:streams": streams} | more
    path.write_text(json.dumps({"collection": collection}))
    return path


def _sha512(path):
    return hashlib.sha512(path.read_bytes()).hexdigest()


def test_round_trip(tmp_path, pair):
    path = write_collection(tmp_path / "t", [pair[0], open_recording(pair[1])])
    assert path.name == "t.sigmf-collection"
    streams = json.loads(path.read_text())["collection"]["core:streams"]
    # As the standard's schema has it: [base name, SHA-512 of the description].
    assert streams == [["t-input", _sha512(pair[0])], ["t-output", _sha512(pair[1])]]
    for name in (path, tmp_path / "t"):
        take = open_take(name)
        assert take.name == "t"
        assert {role: r.name for role, r in take.recordings.items()} == {
            "input": "t-input",
            "output": "t-output",
        }


def test_reads_streams_as_the_library_writes_them(tmp_path, pair):
    streams = [{"name": path.name[:-11], "hash": _sha512(path)} for path in pair]
    assert set(open_take(_write(tmp_path, streams)).recordings) == {"input", "output"}


def test_a_changed_description_is_found(tmp_path, pair):
    path = write_collection(tmp_path / "t", pair)
    pair[1].write_text(pair[1].read_text().replace("153825000", "153825001"))
    with pytest.raises(BadInput, match=r"t-output\.sigmf-meta: changed after the take t"):
        open_take(path)


def test_never_overwrites(tmp_path, pair):
    path = write_collection(tmp_path / "t", pair)
    before = path.read_bytes()
    with pytest.raises(BadInput, match="is not overwritten"):
        write_collection(tmp_path / "t", pair)
    assert path.read_bytes() == before


@pytest.mark.parametrize(
    ("streams", "line"),
    [
        ([], "groups 0 recordings"),
        ("t-input", 'core:streams is "t-input", not a list'),
        ([["../t-input", "00"]], 'core:streams[0] is "../t-input", not the name of a recording'),
        ([["/etc/x"]], "not the name of a recording beside it"),
        ([[]], "core:streams[0] is not a name and a checksum"),
        ([[1, 2]], "core:streams[0] is not a name and a checksum"),
        ([{"name": 3}], "core:streams[0] is not a name and a checksum"),
        (["t-input"], "core:streams[0] is not a name and a checksum"),
        ([["gone"]], 'the recording "gone" of the take is missing'),
        ([["t-input"], ["t-input"]], "t-input and t-input are both the input"),
        ([["none"]], "none of the take has no harness:role"),
        ([["t-input", "0" * 128]], "changed after the take"),
    ],
)
def test_damage(tmp_path, pair, put, describe, codes, streams, line):
    put(describe(codes), codes, "none")
    with pytest.raises(BadInput) as caught:
        open_take(_write(tmp_path, streams))
    assert line in str(caught.value)


@pytest.mark.parametrize(
    ("raw", "line"),
    [
        (b"{", "is not JSON"),
        (b"{}", "has no collection"),
        (b'{"collection": 1}', "collection is 1, not an object"),
        (b'{"collection": {}}', "core:version is missing"),
    ],
)
def test_a_collection_that_is_none(tmp_path, raw, line):
    (tmp_path / "t.sigmf-collection").write_bytes(raw)
    with pytest.raises(BadInput) as caught:
        open_take(tmp_path / "t")
    assert line in str(caught.value)


def test_what_cannot_be_grouped(tmp_path, pair, put, describe, codes):
    with pytest.raises(BadInput, match="both the input"):
        write_collection(tmp_path / "t", [pair[0], pair[0]])
    with pytest.raises(BadInput, match="groups no recordings"):
        write_collection(tmp_path / "t", [])
    (tmp_path / "elsewhere").mkdir()
    with pytest.raises(BadInput, match="lies in another folder than the take"):
        write_collection(tmp_path / "elsewhere" / "t", pair)
    assert not list(tmp_path.rglob("*collection*"))
