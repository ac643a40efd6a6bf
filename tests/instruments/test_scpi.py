"""Generator and meter by SCPI, down to the socket: a responder that obeys, and one that does not.

The responder (``scpi_responder.py``) reads SCPI by its own table. Levels: -112 dBm at the port
through 60 dB is -52 dBm at the generator, exact but for the rounding of what is sent (0.001 dB).
"""

import contextlib
import math
import os
import pty
import threading
import tty

import pytest

from harness.describe import GeneratorDescription, MeterDescription
from harness.errors import BadInput, HardwareFault
from harness.instruments.dialect import load_dialect
from harness.instruments.scpi import open_generator, open_meter
from harness.instruments.visa import Line
from tests.instruments.scpi_responder import GREETING, Fault, Responder

LOSS_DB = 60.0
QUICK_S = 0.3
"""Time given for an answer where none comes; long against a loopback, short to wait for."""


@pytest.fixture
def responder():
    with Responder() as made:
        yield made


def generator_of(responder, dialect=None, **described):
    """Open the generator that the responder is."""
    table = {"maximum_dbm": 10.0, "timeout_s": QUICK_S, **described}
    description = GeneratorDescription(source="scpi", resource=responder.resource, **table)
    return open_generator(description, load_dialect(dialect), loss_db=LOSS_DB)


def test_what_is_set_arrives_and_rf_waits_for_a_level(responder) -> None:
    with generator_of(responder) as generator:
        # It was on when we came.
        assert responder.state["rf"] is False
        assert generator.identity == GREETING
        assert generator.range_port_dbm == (-200.0, -50.0)
        generator.set_frequency(158.425e6)
        generator.set_modulation(1000.0, 1500.0)
        assert responder.state["rf"] is False
        generator.set_level(-112.0)
        assert responder.state == {
            "level": pytest.approx(-52.0, abs=1e-3),
            "frequency": 158.425e6,
            "deviation": 1500.0,
            "tone": 1000.0,
            "rf": True,
            "fm": True,
        }
        generator.set_modulation(1000.0, 0.0)
        assert responder.state["fm"] is False
        generator.rf_off()
        generator.rf_off()
        assert responder.state["rf"] is False
        generator.set_level(-100.0)
    assert responder.state["rf"] is False
    # The level came before RF, each time.
    orders = [text for text in responder.log if "?" not in text]
    for at, text in enumerate(orders):
        if text == "OUTPut:STATe ON":
            assert orders[at - 1].startswith("SOURce:POWer")
    # Each order is followed by a look into the error queue.
    for before, after in zip(responder.log, responder.log[1:], strict=False):
        assert "?" in before or after == "SYSTem:ERRor:NEXT?"


def test_rf_is_switched_off_before_anything_else_is_sent(responder) -> None:
    with generator_of(responder):
        assert next(text for text in responder.log if "?" not in text) == "OUTPut:STATe OFF"


@pytest.mark.parametrize(
    ("described", "level", "line"),
    [
        ({}, -49.9, "cannot give -49.90 dBm at the unit's port"),
        # The generator's own range (to 13 dBm) is wider than what the bench file allows, and here
        # narrower.
        ({"maximum_dbm": 30.0}, -46.0, "gives -200.0 to -47.0 dBm there"),
        ({"minimum_dbm": -60.0}, -121.0, "gives -120.0 to -50.0 dBm there"),
        ({}, math.nan, "cannot give nan dBm"),
    ],
)
def test_a_level_outside_the_range_is_never_sent(responder, described, level, line) -> None:
    with generator_of(responder, **described) as generator:
        with pytest.raises(BadInput, match=line):
            generator.set_level(level)
        assert responder.sent("SOURce:POWer:LEVel:IMMediate:AMPLitude -") == []
        assert responder.rf_seen_on == 0


NO_RANGE = """
name = "no range"
source = "invented for the test"
[generator.rf]
on = "OUTP 1"
off = "OUTP 0"
query = "OUTP?"
source = "invented"
[generator.level]
set = "POW {value} DBM"
query = "POW?"
resolution = 0.1
source = "invented"
[generator.frequency]
set = "FREQ {value}"
query = "FREQ?"
resolution = 1.0
source = "invented"
[meter.voltage]
query = "MEAS:VOLT:DC?"
source = "invented"
"""


def test_a_generator_of_unknown_range_is_refused(responder, tmp_path) -> None:
    with pytest.raises(BadInput, match="highest level that the generator may be set to"):
        generator_of(responder, maximum_dbm=None)
    assert responder.log == []
    table = tmp_path / "own.toml"
    table.write_text(NO_RANGE)
    with pytest.raises(BadInput, match="lowest level that it can be set to is not known"):
        generator_of(responder, str(table))
    assert responder.rf_seen_on == 0
    with generator_of(responder, str(table), minimum_dbm=-120.0) as generator:
        generator.set_level(-112.0)
        assert responder.state["level"] == pytest.approx(-52.0)
        generator.set_modulation(1000.0, 0.0)
        with pytest.raises(BadInput, match="dialect has no fm, deviation and tone"):
            generator.set_modulation(1000.0, 1500.0)
    assert responder.state["rf"] is False


LEVEL = "SOURce:POWer:LEVel:IMMediate:AMPLitude"

# Each is one plain line, ends the step and leaves RF off.
MISBEHAVIOUR = [
    (Fault(f"{LEVEL} -", "other", -51.0), "was set to -52 dBm of level and says -51 dBm"),
    (Fault(f"{LEVEL} -", "other", -51.985), "was set to -52 dBm of level and says -51.985 dBm"),
    (Fault(f"{LEVEL} -", "refused"), 'refuses SOURce:.* -222,"Data out of range"'),
    (Fault(f"{LEVEL}?", "silent"), r"does not answer SOUR.*nothing within 0.3 s"),
    (Fault(f"{LEVEL}?", "late", 0.9), r"does not answer SOUR.*nothing within 0.3 s"),
    (Fault(f"{LEVEL}?", "garbage"), 'with "%&!;;", which is no value'),
    (Fault(f"{LEVEL}?", "bytes"), r"bytes that are no text \(ff fe 81"),
    (Fault(f"{LEVEL}?", "endless"), "with more than 4096 bytes"),
    (Fault(f"{LEVEL}?", "wrong", "9.91E37"), "9.91E37.*which is no value"),
    (Fault(f"{LEVEL}?", "wrong", "nan"), "which is no value"),
    (Fault(f"{LEVEL}?", "drop"), "does not answer"),
    (Fault("OUTPut:STATe ON", "deaf"), 'was told to switch RF on and says "0"'),
    (Fault("SYSTem", "wrong", "fine"), 'answers SYST.* "fine", which is no error'),
    (Fault("SYSTem", "wrong", '-350,"Queue overflow"', times=60), "does not empty"),
]


@pytest.mark.parametrize(("fault", "line"), MISBEHAVIOUR)
def test_what_a_generator_does_wrong_is_one_line_and_rf_is_off(responder, fault, line) -> None:
    with generator_of(responder) as generator:
        if not fault.begins.startswith("OUTP"):
            generator.set_level(-110.0)
            assert responder.state["rf"] is True
        responder.faults.append(fault)
        with pytest.raises(HardwareFault, match=line) as caught:
            generator.set_level(-112.0)
        told = str(caught.value)
        assert told.startswith(f"generator {responder.resource}: ") or told.startswith(
            f"{responder.resource}: "
        )
        assert told.isprintable()
        # The fault stays for the rest of the run: what is wrong with the level does not
        # keep RF from being switched off, but what is wrong with the error queue is no fault here.
        if fault.begins == "SYSTem":
            responder.faults.clear()
    assert responder.state["rf"] is False


def test_a_difference_within_the_resolution_is_taken(responder) -> None:
    with generator_of(responder) as generator:
        responder.faults.append(Fault(f"{LEVEL} -", "other", -51.995))
        generator.set_level(-112.0)
        assert responder.state["rf"] is True


def test_a_late_answer_is_not_taken_for_the_next_one(responder) -> None:
    """The answer to the level comes when the frequency is asked for: on a new connection."""
    with generator_of(responder) as generator:
        responder.faults.append(Fault(f"{LEVEL}?", "late", 2 * QUICK_S, times=1))
        with pytest.raises(HardwareFault, match="nothing within"):
            generator.set_level(-112.0)
        before = responder.connections
        generator.set_frequency(158.425e6)
        assert responder.connections == before + 1
        generator.set_level(-110.0)
        assert responder.state["level"] == pytest.approx(-50.0)


def test_rf_that_cannot_be_confirmed_off_is_said(responder) -> None:
    generator = generator_of(responder)
    generator.set_level(-112.0)
    responder.faults.append(Fault("OUTPut:STATe OFF", "deaf"))
    with pytest.raises(HardwareFault) as caught:
        generator.close()
    assert "RF may still be on" in str(caught.value)
    assert str(caught.value).endswith("Switch RF off at the generator itself.")
    # The line is closed all the same, and nothing more is sent.
    sent = len(responder.log)
    generator.close()
    assert len(responder.log) == sent


def test_rf_goes_off_on_a_new_connection_when_the_old_one_is_gone(responder) -> None:
    generator = generator_of(responder)
    generator.set_level(-112.0)
    responder.faults.append(Fault("OUTPut", "drop", times=1))
    generator.close()
    assert responder.state["rf"] is False
    assert responder.connections == 2


def test_errors_from_before_are_told_and_are_no_fault(responder) -> None:
    responder.errors += ['-113,"Undefined header"', '-350,"Queue overflow"']
    with generator_of(responder) as generator:
        (caution,) = generator.cautions
    assert 'error queue held -113,"Undefined header"; -350,"Queue overflow".' in caution


def meter_of(responder, *, amps=True, **described):
    table = {"timeout_s": QUICK_S, "resource": responder.resource, **described}
    if amps:
        table["current_resource"] = responder.resource
    return open_meter(MeterDescription(source="scpi", **table), load_dialect(None))


def test_a_meter_gives_volts_and_amps(responder) -> None:
    with meter_of(responder) as meter:
        assert meter.identity == GREETING
        supply = meter.read_supply()
        assert (supply.voltage_v, supply.current_a) == pytest.approx((12.53, 1.42))
        assert math.isnan(supply.temperature_degc)
    # One instrument is one line.
    assert responder.connections == 1
    with meter_of(responder, amps=False) as meter:
        assert math.isnan(meter.read_supply().current_a)


def test_two_meters_are_two_lines(responder) -> None:
    with Responder(amps=lambda: 0.9) as other:
        with meter_of(responder, amps=False, current_resource=other.resource) as meter:
            supply = meter.read_supply()
        assert (supply.voltage_v, supply.current_a) == pytest.approx((12.53, 0.9))


def test_one_late_answer_does_not_end_a_run_and_two_do(responder) -> None:
    with meter_of(responder) as meter:
        responder.faults.append(Fault("MEASure:VOLT", "late", 2 * QUICK_S, times=1))
        assert meter.read_supply().voltage_v == pytest.approx(12.53)
        assert meter.repeated == 1
        responder.faults.append(Fault("MEASure:VOLT", "silent", times=2))
        with pytest.raises(HardwareFault, match="does not answer MEASure:VOLTage:DC"):
            meter.read_supply()


@pytest.mark.parametrize(
    ("volts", "line"), [(9.9e37, "which is no value"), (230.0, "shows 230 V, which is no supply")]
)
def test_a_reading_that_no_supply_has_is_refused(responder, volts, line) -> None:
    responder.volts = lambda: volts
    with meter_of(responder) as meter, pytest.raises(HardwareFault, match=line):
        meter.read_supply()


def test_a_dialect_without_the_query_is_refused(responder, tmp_path) -> None:
    table = tmp_path / "own.toml"
    table.write_text(NO_RANGE)
    description = MeterDescription(
        source="scpi", resource=responder.resource, current_resource=responder.resource
    )
    with pytest.raises(BadInput, match="has no query for the current"):
        open_meter(description, load_dialect(str(table)))


@pytest.mark.parametrize(
    ("resource", "line"),
    [
        ("nonsense", "is no VISA name of an instrument"),
        ("GPIB::1::INSTR", "is no VISA name of an instrument on the network"),
        ("TCPIP::127.0.0.1::1::SOCKET", "Connection refused"),
        ("ASRL/dev/no-such-port::INSTR", "could not open port"),
    ],
)
def test_what_cannot_be_reached_is_one_line(resource, line) -> None:
    def reach() -> None:
        with contextlib.closing(Line(resource, timeout_s=QUICK_S)) as opened:
            opened.ask("*IDN?")

    with pytest.raises((BadInput, HardwareFault), match=line) as caught:
        reach()
    assert str(caught.value).isprintable()


@pytest.mark.skipif(os.name != "posix", reason="a serial port is played by a pseudo-terminal")
def test_a_serial_port_answers_too() -> None:
    ours, theirs = pty.openpty()
    tty.setraw(theirs)

    def answer() -> None:
        with os.fdopen(os.dup(ours), "r+b", buffering=0) as port:
            assert port.readline() == b"*IDN?\n"
            port.write(GREETING.encode() + b"\n")

    thread = threading.Thread(target=answer)
    thread.start()
    line = Line(f"ASRL{os.ttyname(theirs)}::INSTR", timeout_s=5.0, baud_rate=115200)
    try:
        assert line.ask("*IDN?") == GREETING
    finally:
        line.close()
        thread.join()
        os.close(ours)
        os.close(theirs)
