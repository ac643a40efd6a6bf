"""Generator, meter and knob by hand: what is asked, what is taken, what is kept.

The operator is a list of lines; what it is asked and told is looked at.
"""

import math

import pytest

from harness.devices import GoBack, SupplyReading
from harness.errors import BadInput, Stopped
from harness.instruments import by_hand
from harness.instruments.typed import number_typed


class Script:
    """An operator who types what stands in a list, and then no more; remembers as well."""

    resuming = "Start it again."

    def __init__(self, *lines, before=()):
        self.lines = list(lines)
        self.asked, self.told, self.kept = [], [], []
        self.before = dict(before)

    def ask(self, question):
        self.asked.append(question)
        if not self.lines:
            raise EOFError
        line = self.lines.pop(0)
        if isinstance(line, BaseException):
            raise line
        return line

    def say(self, text):
        self.told.append(text)

    def keep(self, question, answer):
        self.kept.append((question, answer))

    def recall(self, question):
        return self.before.pop(question, None)


def hand(*lines, before=()):
    script = Script(*lines, before=before)
    return script, by_hand.Hand(script, script)


@pytest.mark.parametrize(
    ("text", "unit", "value"),
    [
        ("12.53", "V", 12.53),
        ("12,53", "V", 12.53),
        (" 12.53 V ", "V", 12.53),
        ("12.53v", "V", 12.53),
        ("12530 mV", "V", 12.53),
        ("1420mA", "A", 1.42),
        ("1.42e0 A", "A", 1.42),
        (".5", "A", 0.5),
        ("5.", "A", 5.0),
        ("0", "A", 0.0),
        ("+1.4", "A", 1.4),
    ],
)
def test_numbers_as_people_type_them(text, unit, value) -> None:
    assert number_typed(text, unit, 0.0, 60.0) == pytest.approx(value, rel=1e-12)


@pytest.mark.parametrize(
    ("text", "line"),
    [
        ("", "Nothing was typed."),
        ("twelve", "twelve is no number such as 12.53."),
        ("1.234,5", "1.234,5 has more than one point or comma; leave out the thousands."),
        ("12.5 A", "12.5 A is not in V."),
        ("12.5 dBm", "12.5 dBm is not in V."),
        ("125 V", "125 V is outside 0 to 60 V."),
        ("−3", "-3 V is outside 0 to 60 V."),
        ("1e400", "inf V is outside 0 to 60 V."),
        ("nan", "nan is no number such as 12.53."),
        ("12.5 V V", "12.5 V V is no number such as 12.53."),
        ("\u0663", "\u0663 is no number such as 12.53."),
    ],
)
def test_what_is_no_reading_is_said(text, line) -> None:
    with pytest.raises(ValueError, match=r".") as caught:
        number_typed(text, "V", 0.0, 60.0)
    assert str(caught.value) == line


def generator_of(the_hand, loss_db=60.0, behind=None):
    return by_hand.Generator(
        the_hand, loss_db=loss_db, minimum_dbm=-120.0, maximum_dbm=10.0, behind=behind
    )


def test_only_what_changes_is_asked_for() -> None:
    script, the_hand = hand("", "", "", "", "", "")
    generator = generator_of(the_hand)
    generator.set_frequency(158.425e6)
    generator.set_modulation(1000.0, 1500.0)
    assert script.asked == []
    generator.set_level(-112.0)
    generator.set_modulation(1000.0, 1500.0)
    generator.set_level(-111.0)
    generator.set_level(-111.0)
    generator.set_modulation(1000.0, 0.0)
    generator.set_level(-111.0)
    generator.rf_off()
    generator.rf_off()
    generator.set_level(-111.0)
    assert [question.partition(" [")[0] for question in script.asked] == [
        "Set the generator: 158.425000 MHz, FM 1000 Hz, deviation 1500 Hz, -52.00 dBm, RF on"
        " (-112.00 dBm at the unit).",
        "Set the generator: -51.00 dBm (-111.00 dBm at the unit).",
        "Set the generator: FM off (-111.00 dBm at the unit).",
        "Switch the generator's RF off.",
        "Set the generator: RF on (-111.00 dBm at the unit).",
    ]


def test_after_going_back_everything_is_asked_for_again() -> None:
    script, the_hand = hand("", "b", "")
    generator = generator_of(the_hand)
    generator.set_level(-112.0)
    with pytest.raises(GoBack):
        generator.set_level(-111.0)
    generator.set_level(-112.0)
    assert script.asked[2].startswith("Set the generator: -52.00 dBm, RF on (")


def test_a_level_out_of_range_is_not_asked_for() -> None:
    script, the_hand = hand()
    with pytest.raises(BadInput, match=r"cannot give -49\.00 dBm at the unit's port"):
        generator_of(the_hand).set_level(-49.0)
    assert script.asked == []


def test_rf_of_a_generator_that_somebody_else_used_is_asked_off() -> None:
    script, the_hand = hand("")
    generator_of(the_hand).rf_off()
    assert len(script.asked) == 1


@pytest.mark.parametrize("way_out", [KeyboardInterrupt(), SystemExit(143)])
def test_on_the_way_out_nobody_is_waited_for(way_out) -> None:
    script, the_hand = hand("", way_out)
    generator = generator_of(the_hand)
    generator.set_level(-112.0)

    def leave() -> None:
        try:
            generator.set_level(-111.0)
        finally:
            generator.rf_off()

    with pytest.raises(type(way_out)):
        leave()
    assert script.told == ["Switch the generator's RF off now."]
    assert len(script.asked) == 2


def test_another_word_than_enter_is_asked_again() -> None:
    script, the_hand = hand("-52", "OK")
    generator_of(the_hand).set_level(-112.0)
    assert script.told == ["-52 is neither: press Enter alone when it is done."]


def test_the_end_of_the_input_says_how_to_go_on() -> None:
    _, the_hand = hand()
    with pytest.raises(Stopped) as caught:
        generator_of(the_hand).set_level(-112.0)
    assert str(caught.value) == "the input ended where an answer was needed. Start it again."
    assert caught.value.exit_status == 130


def test_a_meter_asks_until_it_can_be_right_and_keeps_what_it_takes() -> None:
    script, the_hand = hand("12,x", "12,53", "b", "12.6", "1420 mA")
    supply = by_hand.Meter(the_hand).read_supply()
    assert (supply.voltage_v, supply.current_a) == (12.6, pytest.approx(1.42))
    assert math.isnan(supply.temperature_degc)
    assert script.told == ["12,x is not in V.", "Taken as 12.53 V."]
    assert script.kept == [
        ("reading 1, voltage", "12.53 V"),
        ("reading 1, voltage", "12.6 V"),
        ("reading 1, current", "1.42 A"),
    ]


def test_a_meter_without_current_asks_for_none() -> None:
    script, the_hand = hand("12.5")
    assert math.isnan(by_hand.Meter(the_hand, reads_current=False).read_supply().current_a)
    assert len(script.asked) == 1


def test_going_back_from_the_voltage_leaves_the_meter() -> None:
    _, the_hand = hand("b", "12.5", "1.4")
    meter = by_hand.Meter(the_hand)
    with pytest.raises(GoBack):
        meter.read_supply()
    assert meter.read_supply().voltage_v == 12.5


def test_what_was_typed_before_is_not_asked_again_unless_one_goes_back() -> None:
    before = {"reading 1, voltage": "12.53 V", "reading 1, current": "230 A"}
    script, the_hand = hand("b", "12.6", "1.4", before=before)
    supply = by_hand.Meter(the_hand).read_supply()
    # The current that was kept cannot be; back to the voltage, which is typed this time.
    assert (supply.voltage_v, supply.current_a) == (12.6, 1.4)
    assert script.told == [
        "Read the meter on the supply, volts: 12.53 V, typed before.",
        "Of before, for reading 1, current: 230 A is outside 0 to 100 A.",
    ]


class Simulated:
    """Notes what a simulated generator is told, and shows what a simulated meter would."""

    def __init__(self):
        self.told = []

    def __getattr__(self, name):
        return lambda *values: self.told.append((name, *values))

    def read_supply(self):
        return SupplyReading(voltage_v=12.531, current_a=1.4204, temperature_degc=20.0)


def test_in_a_rehearsal_the_simulated_bench_follows_what_is_confirmed() -> None:
    script, the_hand = hand("", "b", "", "12.53", "1.42")
    behind = Simulated()
    generator = generator_of(the_hand, behind=behind)
    generator.set_frequency(158.425e6)
    generator.set_modulation(1000.0, 0.0)
    generator.set_level(-112.0)
    with pytest.raises(GoBack):
        generator.set_level(-111.0)
    generator.rf_off()
    assert behind.told == [
        ("set_frequency", 158.425e6),
        ("set_modulation", 1000.0, 0.0),
        ("set_level", -112.0),
        ("rf_off",),
    ]
    assert by_hand.Meter(the_hand, behind=behind).read_supply().voltage_v == 12.53
    assert script.told == ["The simulated meter shows 12.53 V and 1.420 A."]


def test_the_knob_is_asked_for() -> None:
    script, the_hand = hand("")
    by_hand.Knob(the_hand).turn_knob("3:30")
    assert script.asked[0].startswith("Turn the squelch knob to 3:30. [")


@pytest.mark.parametrize(
    ("act", "words"),
    [
        (lambda t: t.set_transmitter_enabled(False), ("Disable the transmitter", "load stays on")),
        (lambda t: t.set_transmitter_enabled(True), ("Enable the transmitter", "load stays on")),
        (lambda t: t.hold_transmitter(True), ("Key the transmitter by hand",)),
        (lambda t: t.hold_transmitter(False), ("key go",)),
    ],
)
def test_the_transmitter_is_asked_for_and_waited_for(act, words) -> None:
    script, its_hand = hand("what?", "")
    act(by_hand.Transmitter(its_hand))
    assert len(script.asked) == 2
    assert all(word in script.asked[0] for word in words)
    _, its_hand = hand("b")
    with pytest.raises(GoBack):
        act(by_hand.Transmitter(its_hand))
