"""The driver through pyrtlsdr against the stand-in: settings, streams, and all that goes wrong."""

import gc
import sys
import time

import numpy as np
import pytest

from harness.errors import BadInput, HardwareFault
from harness.instruments import librtlsdr
from harness.instruments.arrivals import ROOM_S
from harness.instruments.dongle import real_rate_hz
from harness.instruments.dongles import DongleSource, Settings
from harness.instruments.librtlsdr import Listed, list_dongles, tuner_of

OUTPUT = Settings(
    role="output", serial="00000102", sample_rate_hz=250e3, centre_hz=153.785e6, gain_db=26.0
)
INPUT = Settings(
    role="input", serial="00000101", sample_rate_hz=250e3, centre_hz=158.385e6, gain_db=0.0
)
SECOND_BYTES = 500_000


def changed(settings, **values):
    return Settings(**{name: getattr(settings, name) for name in Settings.__slots__} | values)


@pytest.fixture
def opened(dongles, counting):
    """Open dongles that stream numbers without end, and close them whatever happens."""
    path = dongles.stream(counting)
    made = []

    def open_them(*settings, lines=(), **options):
        for index in (0, 1):
            dongles.plug_in(index, f"stream {path}", "repeat 1", *lines)
        made.append(DongleSource(settings or (OUTPUT,), warm_up_s=0.05, **options))
        return made[-1]

    yield open_them
    for source in made:
        source.close()


def numbers(blocks):
    codes = np.concatenate([block.samples for block in blocks]).astype(int)
    return codes[:, 0] + 256 * codes[:, 1]


# Settings -------------------------------------------------------------------------------------


def test_it_is_set_by_hand_and_read_back(opened, dongles) -> None:
    info = opened().streams["output"]
    told = dongles.told(1)
    # What pyrtlsdr sets on opening is undone: the last word on each is ours.
    last = {line.split()[0]: line.split()[1] for line in told if " " in line}
    assert last["manual"] == "1"
    assert last["agc"] == "0"
    assert last["gain"] == "260"
    assert last["centre"] == "153785000"
    assert last["rate"] == "250000"
    # The clock's error is taken away by the measurements: the chip's own correction stays 0.
    assert "correction" not in last
    assert info.gain_db == 26.0
    assert info.centre_hz == 153.785e6
    assert info.hardware == "RTL-SDR dongle 00000102, R820T"
    assert info.datatype == "cu8"


@pytest.mark.parametrize(("asked_db", "step_db"), [(26.0, 26.0), (25.0, 26.0), (-20.0, 0.0)])
def test_the_gain_is_its_nearest_step_and_said(asked_db, step_db, opened) -> None:
    source = opened(changed(OUTPUT, gain_db=asked_db))
    assert source.streams["output"].gain_db == step_db
    assert bool(source.notes) == (asked_db != step_db)
    assert all(f"{asked_db:g} dB was asked for" in note for note in source.notes)


@pytest.mark.parametrize(
    ("asked_hz", "real_hz"),
    [
        # 28.8 MHz divided by 12, 120 and 9: exact.
        (2.4e6, 2.4e6),
        (240e3, 240e3),
        (3.2e6, 3.2e6),
        # 28.8 MHz x 2^22 / 483183820 by hand: 115.2 has no end in binary.
        (250e3, 250_000.000_413_921_1),
    ],
)
def test_the_rate_is_what_the_chip_divides_to(asked_hz, real_hz) -> None:
    # Rounding of one division: 1e-15 of it.
    assert real_rate_hz(asked_hz) == pytest.approx(real_hz, rel=1e-15)


@pytest.mark.parametrize(
    ("settings", "what"),
    [
        (changed(OUTPUT, sample_rate_hz=225e3), "cannot sample at 225000 Hz"),
        (changed(OUTPUT, sample_rate_hz=300001.0), "cannot sample at 300001 Hz"),
        (changed(OUTPUT, sample_rate_hz=900e3), "cannot sample at 900000 Hz"),
        (changed(OUTPUT, sample_rate_hz=3.3e6), "cannot sample at 3300000 Hz"),
        (changed(OUTPUT, sample_rate_hz=250000.5), "cannot sample at 250000.5 Hz"),
        (changed(OUTPUT, centre_hz=10e6), "cannot be tuned to 10.000000 MHz"),
        (changed(OUTPUT, centre_hz=2.4e9), "reaches from 24 to 1766 MHz"),
    ],
)
def test_what_no_dongle_can_do_is_refused_before_one_is_opened(settings, what, dongles) -> None:
    dongles.plug_in(1)
    with pytest.raises(BadInput, match=what):
        DongleSource((settings,))
    assert dongles.told(1) == []


@pytest.mark.parametrize(
    ("line", "what"),
    [
        ("deaf-to rate", "a rate of 250000 Hz could not be set"),
        ("deaf-to centre", "cannot be tuned to 153.785000 MHz"),
        ("deaf-to gain", "manual gain could not be set"),
        ("deaf-to agc", "manual gain could not be set"),
        ("rounds 100000", "was set to 153785000 Hz and reads back 153700000 Hz"),
    ],
)
def test_one_that_does_not_obey_is_refused_and_let_go(line, what, opened, dongles) -> None:
    with pytest.raises(HardwareFault, match=what):
        opened(lines=(line,))
    assert dongles.told(1).count("close") == 1


# Which dongle ---------------------------------------------------------------------------------


def test_dongles_are_listed(dongles) -> None:
    assert list_dongles() == []
    dongles.plug_in(0)
    dongles.plug_in(1, "strings -3")
    assert list_dongles() == [
        Listed(index=0, name="Stand-in receiver", serial="00000101"),
        Listed(index=1, name="Stand-in receiver", serial=None, fault="no permission"),
    ]


@pytest.mark.parametrize(
    ("number", "name"), [(1, "E4000"), (5, "R820T"), (6, "R828D"), (99, "unknown tuner")]
)
def test_the_tuner_is_named(number, name, dongles) -> None:
    dongles.plug_in(0, f"tuner {number}")
    assert tuner_of(0) == name
    assert dongles.told(0) == ["open", "close"]
    dongles.plug_in(0, "open -6")
    assert tuner_of(0) == "in use by another program"


@pytest.mark.parametrize(
    ("plugged", "serial", "line"),
    [
        ({}, "00000102", "dongle 00000102: no dongle is plugged in. Plug it in and run again."),
        (
            {"00000105": (), "00000107": ()},
            "00000102",
            "dongle 00000102: not there; there is 00000105, 00000107. Correct the serial, or"
            " plug it in.",
        ),
        (
            {"00000105": (), "00000107": ()},
            None,
            "dongle: there are 2: 00000105, 00000107. Write the one that is meant as serial.",
        ),
        (
            {"00000102": ("open -3",)},
            "00000102",
            "dongle 00000102: cannot be opened: no permission. Put the line"
            f" {librtlsdr.UDEV_RULE} into {librtlsdr.UDEV_FILE}, run udevadm control --reload, and"
            " plug the dongle in again.",
        ),
        (
            {"00000102": ("strings -3",)},
            "00000102",
            "dongle 00000102: cannot be opened: no permission. Put the line"
            f" {librtlsdr.UDEV_RULE} into {librtlsdr.UDEV_FILE}, run udevadm control --reload, and"
            " plug the dongle in again.",
        ),
        (
            {"00000102": ("open -6",)},
            "00000102",
            "dongle 00000102: cannot be opened: in use by another program. End that program; if"
            " there is none, the kernel's television driver holds it: run modprobe -r"
            " dvb_usb_rtl28xxu.",
        ),
        (
            {"00000102": ("open -1",)},
            "00000102",
            "dongle 00000102: cannot be opened: input/output error. Unplug it, plug it in again"
            " and run again.",
        ),
    ],
)
def test_one_that_cannot_be_had_is_one_line(plugged, serial, line, dongles) -> None:
    for index, (each, lines) in enumerate(plugged.items()):
        dongles.plug_in(index, *lines, serial=each)
    with pytest.raises(HardwareFault) as refused:
        DongleSource((changed(OUTPUT, serial=serial),))
    assert str(refused.value) == line


def test_two_of_one_serial_are_told_apart_by_nobody(dongles) -> None:
    for index in (0, 1):
        dongles.plug_in(index, serial="00000001")
    with pytest.raises(HardwareFault, match="2 dongles have this serial"):
        DongleSource((changed(OUTPUT, serial="00000001"),))


def test_the_only_one_needs_no_serial(dongles, counting) -> None:
    dongles.plug_in(0, f"stream {dongles.stream(counting)}")
    with DongleSource((changed(OUTPUT, serial=None),), warm_up_s=0.0) as source:
        assert "00000101" in source.streams["output"].hardware


def test_without_the_second_the_first_is_let_go(opened, dongles) -> None:
    with pytest.raises(HardwareFault, match="there is 00000101, 00000102"):
        opened(OUTPUT, changed(INPUT, serial="9"))
    assert dongles.told(1)[-1] == "close"


def test_a_missing_library_is_one_line(monkeypatch) -> None:
    for name in [name for name in sys.modules if name.partition(".")[0] == "rtlsdr"]:
        monkeypatch.delitem(sys.modules, name)
    monkeypatch.setattr(librtlsdr, "_names", lambda: iter(["librtlsdr-that-is-not-there.so"]))
    with pytest.raises(HardwareFault) as refused:
        list_dongles()
    assert str(refused.value) == (
        "dongle: there is no librtlsdr on this computer. Install librtlsdr (Debian: apt install"
        " rtl-sdr; macOS: brew install librtlsdr)."
    )


def test_another_library_of_that_name_is_one_line(monkeypatch) -> None:
    for name in [name for name in sys.modules if name.partition(".")[0] == "rtlsdr"]:
        monkeypatch.delitem(sys.modules, name)
    # The C library itself: it can be loaded and knows nothing of dongles.
    monkeypatch.setattr(librtlsdr, "_names", lambda: iter([None]))
    with pytest.raises(HardwareFault, match="cannot be used"):
        list_dongles()
    assert "rtlsdr.rtlsdr" not in sys.modules
    assert "pyrtlsdrlib" not in sys.modules


# Streams --------------------------------------------------------------------------------------


def test_what_the_dongle_gave_is_what_is_read(opened) -> None:
    source = opened(OUTPUT, INPUT)
    source.start()
    streams = {role: [] for role in source.streams}
    for until_s in (0.1, 0.25, 0.6):
        for role, blocks in source.read(until_s).items():
            streams[role] += blocks
    for blocks in streams.values():
        assert blocks[0].start == 0
        assert sum(len(block.samples) for block in blocks) == 150_000
        assert all(block.lost_before == 0 for block in blocks)
        assert (np.diff(numbers(blocks)) % 65_536 == 1).all()
    assert source.lost_samples == {"output": 0, "input": 0}


def test_more_can_be_read_at_once_than_a_queue_holds(opened) -> None:
    # Twenty times as fast as a dongle, so that twelve seconds pass in less than one.
    source = opened(OUTPUT, INPUT, lines=("fast 19000000",))
    source.start()
    streams = source.read(ROOM_S + 4.0)
    assert source.lost_samples == {"output": 0, "input": 0}
    for blocks in streams.values():
        assert (np.diff(numbers(blocks)) % 65_536 == 1).all()


def test_a_second_take_begins_at_zero_again(opened) -> None:
    source = opened()
    for _ in range(2):
        source.start()
        blocks = source.read(0.1)["output"]
        assert blocks[0].start == 0
        assert blocks[-1].end == 25_000
        with pytest.raises(ValueError, match="already running"):
            source.start()
        source.stop()
        with pytest.raises(ValueError, match="no take"):
            source.read(0.2)


def test_a_lost_buffer_is_a_gap_of_its_length(opened) -> None:
    # Two buffers of 8192 samples, one second after the stream began.
    source = opened(lines=(f"drop {SECOND_BYTES // 16384 * 16384} 32768",))
    source.start()
    blocks = [block for k in range(1, 5) for block in source.read(0.5 * k)["output"]]
    gaps = [block.lost_before for block in blocks if block.lost_before]
    # The computer's punctuality: 5 ms are 1250 samples, half of the threshold.
    assert len(gaps) == 1
    assert abs(gaps[0] - 16_384) <= 1250
    assert source.lost_samples["output"] == gaps[0]
    place = next(i for i, block in enumerate(blocks) if block.lost_before)
    # Exactly what was dropped is missing in the samples themselves.
    before, after = numbers(blocks[place - 1 : place]), numbers(blocks[place : place + 1])
    assert (after[0] - before[-1]) % 65_536 == 16_385


def test_a_stalled_stream_loses_nothing(opened) -> None:
    source = opened(lines=("late 300000 0.2",))
    source.start()
    blocks = [block for k in range(1, 5) for block in source.read(0.5 * k)["output"]]
    assert not any(block.lost_before for block in blocks)
    assert (np.diff(numbers(blocks)) % 65_536 == 1).all()


def test_retuning_loses_no_sample_and_says_what_belongs_to_neither(opened, dongles) -> None:
    source = opened(OUTPUT, INPUT)
    source.start()
    blocks = source.read(0.2)["output"]
    told = source.retune({"output": 158.385e6})
    blocks += source.read(0.6)["output"]
    assert (np.diff(numbers(blocks)) % 65_536 == 1).all()
    (change,) = told
    assert change.role == "output"
    # Not before what had been read, and after what the tuner needs: 50 ms.
    assert change.begun >= 50_000
    assert change.settled >= change.begun + 12_500
    assert source.streams["output"].centre_hz == 158.385e6
    assert source.streams["input"].centre_hz == 158.385e6
    assert dongles.told(1).count("stream 16384") == 1
    with pytest.raises(BadInput, match="reaches from"):
        source.retune({"output": 3e9})


def test_a_take_after_tuning_begins_when_the_tuner_has_settled(dongles, counting) -> None:
    other = dongles.stream(np.full((65_536, 2), 77), "other")
    dongles.plug_in(0, f"stream {dongles.stream(counting)}", "repeat 1", f"at 150000000 {other}")
    with DongleSource((INPUT,), warm_up_s=0.05) as source:
        for _ in range(3):
            source.retune({"input": 150e6})
            time.sleep(0.1)
            source.retune({"input": 153.785e6})
            source.start()
            blocks = source.read(0.1)["input"]
            source.stop()
            assert blocks[0].start == 0
            assert (np.diff(numbers(blocks)) % 65_536 == 1).all()


# What goes wrong ------------------------------------------------------------------------------


def read_on(source, until_s=5.0, step_s=0.25):
    """Read a take until it fails; give how many samples came, the last of them, and the fault."""
    source.start()
    came, at_s = [], 0.0
    try:
        while at_s < until_s:
            at_s += step_s
            came += source.read(at_s)["output"]
    except HardwareFault as fault:
        last = numbers(came)[-1] if came else None
        return sum(len(block.samples) for block in came), last, str(fault)
    return pytest.fail("nothing failed")


def test_a_silent_dongle_is_noticed_and_what_came_is_given(opened) -> None:
    source = opened(lines=(f"silent {SECOND_BYTES}",))
    came, last, line = read_on(source)
    # All that the stand-in gave, 250000 samples from the beginning of the stream on.
    assert last == 249_999 % 65_536
    seconds = came / 250e3
    assert line == (
        f"dongle 00000102: no samples for 1.0 s at {seconds + 1.0:.1f} s into the run; unplugged?"
        f" All up to {seconds:.1f} s is kept. Plug it in and start again."
    )
    source.stop()
    with pytest.raises(HardwareFault, match="no samples for 1"):
        source.start()


@pytest.mark.parametrize(
    ("answer", "why"),
    [
        (0, "the stream ended by itself"),
        (-4, "not there any more"),
        (-1, "input/output error"),
        (-7, "error -7 of librtlsdr"),
    ],
)
def test_a_stream_that_ends_is_noticed_and_what_came_is_given(answer, why, opened) -> None:
    source = opened(lines=(f"vanish {SECOND_BYTES} {answer}",))
    came, last, line = read_on(source)
    assert last == 249_999 % 65_536
    assert line == (
        f"dongle 00000102: its stream ended at {came / 250e3:.1f} s into the run ({why});"
        f" unplugged? All up to {came / 250e3:.1f} s is kept. Plug it in and start again."
    )
    source.stop()
    with pytest.raises(HardwareFault, match="its stream ended"):
        source.start()


def test_one_that_vanished_between_takes_is_told_at_the_next(opened) -> None:
    source = opened(lines=("vanish 100000 -4",))
    time.sleep(0.5)
    with pytest.raises(HardwareFault) as fault:
        source.start()
    assert str(fault.value) == (
        "dongle 00000102: its stream ended before the take (not there any more); unplugged?"
        " Nothing was recorded. Plug it in and start again."
    )
    with pytest.raises(HardwareFault, match="cannot be tuned: not there any more"):
        source.retune({"output": 150e6})


def test_with_two_the_fault_names_the_right_one(dongles, counting) -> None:
    path = dongles.stream(counting)
    dongles.plug_in(0, f"stream {path}", "repeat 1", "vanish 400000 -4")
    dongles.plug_in(1, f"stream {path}", "repeat 1")
    with DongleSource((OUTPUT, INPUT), warm_up_s=0.05) as source:
        assert read_on(source)[-1].startswith("dongle 00000101: its stream ended")
    assert dongles.told(1)[-1] == "close"


def test_it_closes_before_a_sample_came_and_more_than_once(opened, dongles) -> None:
    for lines in (("silent 0",), ("vanish 0 -4",), ()):
        source = opened(lines=lines)
        source.close()
        source.close()
    assert dongles.told(1).count("close") == 3
    assert "closed while streaming" not in dongles.told(1)


def test_the_library_closes_no_dongle_behind_our_back(opened, dongles) -> None:
    # pyrtlsdr does so when a read fails, and again when its object is forgotten.
    source = opened(lines=("vanish 100000 -4",))
    read_on(source)
    assert "close" not in dongles.told(1)
    source.close()
    del source
    gc.collect()
    assert dongles.told(1).count("close") == 1
