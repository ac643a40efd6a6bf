"""A plan is run, goes on where it stopped, and repeats a step without throwing the first away.

On the simulated bench with two short steps; what is looked at is the keeping of readings.
"""

import hashlib
import json

import pytest

from harness.describe import example_path, load_bench, load_unit, plan_from
from harness.errors import BadInput, HardwareFault
from harness.procedures.accept import Asked, accept
from harness.procedures.planned import planned
from harness.procedures.said import Said, format_of, kept_photo
from harness.procedures.steps import Begin, Record, TurnKnob
from harness.recordings.files import sha512_of
from harness.results import read_run
from harness.results.judgement import judgement_of
from harness.results.session import steps_of

UNIT = load_unit(example_path("frost-watch-2.toml")).model_copy(
    update={"battery": None, "limit_rows": ()}
)
BENCH = load_bench(example_path("packing-shed.toml"))
POWER = {"reading": "carrier_power", "unit": "dBm", "minimum": 30.0, "source": "chosen"}
TABLE = {
    "name": "two carriers",
    "steps": [
        {"procedure": "carrier", "seconds": 1.0},
        {"procedure": "carrier", "seconds": 1.0, "name": "tight", "knob": "3:30"},
    ],
    "limits": [POWER],
}
PLAN = plan_from(TABLE)
PNG = b"\x89PNG\r\n\x1a\n" + bytes(40)


def edited(*, limits=None, **step):
    first = {**TABLE["steps"][0], **step}
    rows = TABLE["limits"] if limits is None else limits
    return plan_from({**TABLE, "steps": [first, TABLE["steps"][1]], "limits": rows})


class Watching:
    """A watcher at whose n-th take a device fails; none where it is 0."""

    def __init__(self, fails_at=0):
        self.fails_at, self.takes, self.said = fails_at, 0, []

    def step(self, title):
        self.takes += 1
        if self.takes == self.fails_at:
            raise HardwareFault("nothing comes", "dongle", "Plug it in.")

    def progress(self, share):
        pass

    def say(self, text):
        self.said.append(text)


def powers(found):
    return [r.value for part in found for r in part.readings if r.name == "carrier_power"]


@pytest.fixture(scope="module")
def story(tmp_path_factory):
    """One run: ended in its second step, resumed, repeated, the repeat ended early, resumed.

    Gives the run after each.
    """
    folder = tmp_path_factory.mktemp("planned") / "run"
    photo = folder.parent / "front panel.PNG"
    photo.write_bytes(PNG)
    said = Said(temperature_degc=-2.5, note="door open")
    runs = {}
    with pytest.raises(HardwareFault):
        accept(UNIT, BENCH, folder, Watching(2), PLAN, said=said)
    runs["ended"] = read_run(folder / "results.h5")
    # Another limit is allowed: nothing is measured otherwise for it.
    stricter = edited(limits=[{**POWER, "minimum": 31.0}])
    runs["whole"] = accept(UNIT, BENCH, folder, Watching(), stricter, resume=True).run
    with pytest.raises(HardwareFault):
        accept(UNIT, BENCH, folder, Watching(1), stricter, resume=True, repeat=["carrier"])
    runs["repeat ended"] = read_run(folder / "results.h5")
    runs["repeated"] = accept(UNIT, BENCH, folder, Watching(), stricter, resume=True).run
    more = Said(operator="second hand", photos=(photo,))
    runs["said"] = accept(UNIT, BENCH, folder, Watching(), stricter, resume=True, said=more).run
    runs["folder"] = folder
    return runs


def test_a_run_that_ended_early_says_how_far_its_plan_came(story) -> None:
    run = story["ended"]
    assert [step.state for step in steps_of(run)] == ["done", "ended early"]
    assert run.verdict == "not measured"
    assert judgement_of(run).steps[0].verdict == "pass"


def test_resumed_with_another_limit_it_is_whole_and_says_so(story) -> None:
    run = story["whole"]
    assert [step.state for step in steps_of(run)] == ["done", "done"]
    assert run.verdict == "pass"
    assert [limit.minimum for limit in run.limits] == [31.0]
    assert "The limits were changed before the run went on." in run.notes
    # What was done before the end reads the same.
    assert powers(run.findings)[0] == powers(story["ended"].findings)[0]
    assert run.earlier == ()


def test_a_repeat_that_ended_early_does_not_stand_for_its_step(story) -> None:
    run = story["repeat ended"]
    assert powers(run.findings) == powers(story["whole"].findings)
    assert [step.state for step in steps_of(run)] == ["done", "done"]
    assert run.earlier == ()
    assert run.notes.endswith("Plug it in.")


def test_a_repeated_step_keeps_both_and_the_newer_is_judged(story) -> None:
    run, before = story["repeated"], story["whole"]
    first, second = steps_of(run)
    assert powers(run.earlier) == powers(before.findings)[:1]
    # Another take, not the first one read once more. (A simulated bench that is opened anew draws
    # the same noise, so that the values are the same here.)
    taken = [used.path for used in first.findings[0].recordings]
    assert [name for name in taken if "carrier-repeat-1-output" in name] == taken
    assert powers(run.findings)[1] == powers(before.findings)[1]
    assert [len(first.earlier), len(second.earlier)] == [1, 0]
    assert first.begun_utc > first.earlier[0].begun_utc
    row = judgement_of(run).rows[0]
    assert (row.step, row.reading.value) == ("carrier", powers(run.findings)[0])
    assert [reading.value for reading in row.earlier] == powers(run.earlier)
    # The earlier ones are judged by nobody.
    assert {r.verdict for part in run.earlier for r in part.readings} <= {None, "not measured"}
    recordings = story["folder"] / "recordings"
    for take in ("carrier", "carrier-tight", "carrier-repeat-1"):
        assert (recordings / f"{take}-output.sigmf-data").stat().st_size > 0


def test_nothing_is_thrown_away(story) -> None:
    folder = story["folder"]
    kept = sorted(path.relative_to(folder).as_posix() for path in folder.rglob("results.h5"))
    # Of the early end, of the whole, of the repeat's early end, of what was repeated, and now.
    assert len(kept) == 5
    assert "earlier-1/results.h5" in kept
    assert powers(read_run(folder / "earlier-1" / "results.h5").findings) == powers(
        story["whole"].findings
    )


def test_who_under_what_and_photos_are_kept(story) -> None:
    run, folder = story["said"], story["folder"]
    assert powers(run.findings) == powers(story["repeated"].findings)
    assert run.session["operator"] == run.bench["operator"] == "second hand"
    (ambient,) = run.session["ambient"]
    assert (ambient["temperature_degc"], ambient["note"]) == (-2.5, "door open")
    (photo,) = run.session["photos"]
    assert photo["format"] == "png"
    assert photo["sha512"] == hashlib.sha512(PNG).hexdigest()
    assert (folder / photo["path"]).read_bytes() == PNG
    assert read_run(folder / "results.h5").session == run.session


@pytest.mark.parametrize(
    ("plan", "told"),
    [
        (edited(seconds=2.0), r"plan steps carrier seconds = 1\.0, and it is 2\.0 now"),
        (edited(knob="9:00"), r'plan steps carrier knob = null, and it is "9:00" now'),
        (plan_from({**TABLE, "steps": TABLE["steps"][:1]}), "plan steps tight"),
        (plan_from({**TABLE, "steps": TABLE["steps"][::-1]}), "plan order"),
    ],
)
def test_an_edited_plan_is_refused_and_nothing_is_touched(plan, told, story) -> None:
    folder = story["folder"]
    before = {path: path.stat().st_mtime_ns for path in folder.rglob("*")}
    with pytest.raises(BadInput, match=told):
        accept(UNIT, BENCH, folder, Watching(), plan, resume=True, repeat=["carrier"])
    assert {path: path.stat().st_mtime_ns for path in folder.rglob("*")} == before


def test_what_cannot_be_repeated_is_refused(story) -> None:
    folder = story["folder"]
    stricter = edited(limits=[{**POWER, "minimum": 31.0}])
    with pytest.raises(BadInput, match=r'no step "carier".*Did you mean carrier\?'):
        accept(UNIT, BENCH, folder, Watching(), stricter, resume=True, repeat=["carier"])
    with pytest.raises(BadInput, match="the run is done"):
        accept(UNIT, BENCH, folder, Watching(), stricter, resume=True)
    run_down = plan_from({"name": "p", "steps": [{"procedure": "battery"}]})
    with pytest.raises(BadInput, match="one battery log"):
        accept(UNIT, BENCH, folder, Watching(), run_down, resume=True, repeat=["battery"])


def names(procedure, answer):
    """What a procedure does, by the names of its takes and positions; a hang time for timing."""
    done, gave = [], None
    while True:
        try:
            step = procedure.send(gave)
        except StopIteration:
            return done
        gave = answer(step)
        if isinstance(step, Begin):
            done.append(f"[{step.step} {step.attempt}]")
        elif isinstance(step, TurnKnob):
            done.append(step.position)
        elif isinstance(step, Record):
            done.append(step.take)


class Nothing:
    """Findings of nothing: no hang time, no opening."""

    readings = ()

    def value(self, name):
        return None


def test_steps_come_in_the_plans_order_and_the_knob_is_turned_only_when_it_has_to_be() -> None:
    plan = plan_from(
        {
            "name": "p",
            "steps": [
                {"procedure": "carrier"},
                {"procedure": "keying"},
                {"procedure": "squelch", "knob": "each"},
                {"procedure": "sensitivity"},
                {"procedure": "spectrum", "knob": "loosest"},
            ],
        }
    )
    done = names(planned(UNIT, plan, ["keying", "keying"]), lambda step: Nothing())
    assert done == [
        *("[carrier 0]", "12:00", "carrier", "[keying 0]", "timing", "[squelch 0]"),
        *("9:00", "squelch-900-search", "12:00", "squelch-1200-search"),
        *("3:30", "squelch-330-search"),
        *("[sensitivity 0]", "9:00", "sensitivity", "[spectrum 0]", "spectrum"),
        *("12:00", "[keying 1]", "timing-repeat-1", "[keying 2]", "timing-repeat-2"),
    ]


# Photos and notes --------------------------------------------------------------------------------

JPEG = b"\xff\xd8\xff\xe0" + bytes(40)
WEBP = b"RIFF\x24\x00\x00\x00WEBP" + bytes(32)


@pytest.mark.parametrize(
    ("content", "kind"), [(PNG, "png"), (JPEG, "jpeg"), (WEBP, "webp")], ids=["png", "jpeg", "webp"]
)
def test_a_photo_is_known_by_its_first_bytes_and_copied_once(content, kind, tmp_path) -> None:
    photo = tmp_path / "it is.txt"
    photo.write_bytes(content)
    assert format_of(photo) == kind
    folder = tmp_path / "run"
    row = kept_photo(photo, folder)
    assert row["format"] == kind
    assert sha512_of(folder / row["path"]) == row["sha512"]
    assert kept_photo(photo, folder) == row
    # Another picture of that name does not go over it.
    photo.write_bytes(content + b"more")
    other = kept_photo(photo, folder)
    assert other["path"] != row["path"]
    assert sha512_of(folder / row["path"]) == row["sha512"]


@pytest.mark.parametrize("content", [b"", b"GIF89a" + bytes(20), b"RIFF0000WAVE" + bytes(20)])
def test_what_is_no_photo_is_refused(content, tmp_path) -> None:
    path = tmp_path / "photo.png"
    path.write_bytes(content)
    with pytest.raises(BadInput, match="no photo that can be kept"):
        Said(photos=(path,)).require_sound()
    with pytest.raises(BadInput, match="there is no such photo"):
        Said(photos=(tmp_path / "none.png",)).require_sound()


@pytest.mark.parametrize(
    ("said", "told"),
    [
        (Said(temperature_degc=300.0), "no temperature"),
        (Said(humidity_percent=101.0), "no humidity"),
        (Said(temperature_degc=float("nan")), "no temperature"),
        (Said(note="x" * 3000), "longer"),
    ],
)
def test_what_cannot_be_is_refused_before_anything_is_made(said, told, tmp_path) -> None:
    with pytest.raises(BadInput, match=told):
        accept(UNIT, BENCH, tmp_path / "run", Watching(), PLAN, said=said)
    assert not (tmp_path / "run").exists()


def test_the_journal_holds_what_was_said(story) -> None:
    lines = (story["folder"] / "journal.jsonl").read_text(encoding="utf-8").splitlines()
    keys = [next(iter(json.loads(line))) for line in lines]
    assert keys.count("said") == 3
    assert keys.count("repeat") == 1
    assert keys[-1] == "ended"


def test_a_limit_of_no_band_is_told() -> None:
    plan = plan_from(
        {**TABLE, "limits": [{**POWER, "transmit_hz": [421e6, 512e6]}], "note": "a note"}
    )
    told = Asked(plan=plan, limits=()).cautions(UNIT)
    assert told[0] == "a note"
    assert "carrier power" in told[1]
    assert "153.8250 MHz" in told[1]
