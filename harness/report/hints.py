"""Hints on what is likely wrong, in words: cause in the trade's terms, evidence, a next check."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from types import MappingProxyType

from harness.advice import Cause, Hint
from harness.readings import Reading, sentence
from harness.report.wording import conditions_in_words, in_words, minus, quantity, title_of

ON_HINTS = (
    "Hints, not verdicts: patterns in the readings that often have these causes. Check before you"
    " mend, with the unit unpowered where you reach into it."
)


@dataclass(frozen=True, slots=True, kw_only=True)
class HintLine:
    """One hint: what it may be, the readings that point to it, and what to look at next."""

    title: str
    evidence: tuple[str, ...]
    next_check: str
    is_of_the_bench: bool


_WORDS: Mapping[Cause, tuple[str, str]] = MappingProxyType(
    {
        "receiver silent": (
            "The bench: a receiver fell silent",
            "Look at its USB plug, cable and hub, then go on with --resume.",
        ),
        "overload": (
            "The bench: a receiver is overloaded, and its readings are not the unit's",
            "Compare the pads in place with the bench file, take gain off, and run harness health.",
        ),
        "samples lost": (
            "The bench: samples were lost on the way to the computer",
            "Use another USB port without a hub, a lower sample rate, and end other programs.",
        ),
        "desensitised": (
            "Deaf and desensitised: perhaps the duplexer, or the receive path beside the"
            " transmitter",
            "Measure the duplexer (harness duplexer) and look at its connectors and cables; then"
            " measure with the transmitter disabled (./scripts/capture desense): if the loss goes"
            " away, it is the transmitter's noise or carrier.",
        ),
        "isolation low": (
            "The transmitter deafens the receiver, within what the limit allows: perhaps the"
            " duplexer's isolation",
            "Measure the desensitisation (./scripts/capture desense), and the duplexer (harness"
            " duplexer).",
        ),
        "deaf": (
            "Deaf, and not by its own transmitter: perhaps the receive path or the receiver's"
            " front end",
            "Measure once more behind the duplexer, at the receiver's own input: if it is well"
            " there, it is the duplexer's receive branch or a connector; if not, the first stage,"
            " the mixer's injection or the IF.",
        ),
        "common path": (
            "Low in power and deaf: perhaps what both ways share, such as the antenna connector,"
            " a cable or the duplexer",
            "Look at the antenna port, its cable and the pads of the bench; then measure behind"
            " the duplexer.",
        ),
        "loss after the amplifier": (
            "Low power at a usual current: perhaps a loss between final stage and antenna port",
            "Measure the power at the transmitter's own output, then through filter, switch and"
            " duplexer one by one.",
        ),
        "amplifier weak": (
            "Low power at a low current: perhaps the drive, or the final stage or its supply",
            "Measure the supply at the final stage while it is keyed, then the drive.",
        ),
        "power low": (
            "Low power: perhaps the final stage, its drive, or a loss behind it",
            "Read the supply's voltage and current while it is keyed: a usual current points"
            " behind the final stage, a low one at it or before it.",
        ),
        "both crystals": (
            "Off frequency both ways, and alike: perhaps one reference for both, or the bench's"
            " own clock",
            "Calibrate the dongle's clock (harness calibrate frequency), and measure again before"
            " you touch the unit.",
        ),
        "transmit crystal": (
            "Transmitter off frequency: perhaps its crystal has aged, or its trimmer was moved",
            "See that the dongle's clock error is calibrated, let the unit warm up, then set the"
            " trimmer; measure the receiver's centre as well.",
        ),
        "receive crystal": (
            "Receiver off frequency: perhaps its crystal, or its trimmer",
            "See that the generator is on frequency, then set the receiver's trimmer for the"
            " middle of its acceptance.",
        ),
        "squelch loose": (
            "The squelch is loose where the unit is used: perhaps the knob, its control, or the"
            " squelch's noise filter or detector",
            "Measure the positions of the knob (harness squelch): if all open too early, look at"
            " the control and the noise amplifier; if not, turn it tighter.",
        ),
        "squelch tight": (
            "The squelch opens far above what is readable: perhaps it is set too tight, or the"
            " noise at the detector is too high",
            "Measure the positions of the knob (harness squelch); if the loosest is tight as well,"
            " look at the squelch's noise amplifier and detector.",
        ),
        "hang timer": (
            "The hang time does not repeat: perhaps the timer's capacitor or its supply",
            "Key it ten times more (./scripts/capture keyings), cold and warm; then look at the"
            " timer's capacitor.",
        ),
        "time-out timer": (
            "The transmitter drops while the input is still there: perhaps a time-out timer",
            "Ask whether it is meant to be there, and to what it is set.",
        ),
        "deviation high": (
            "Too much deviation: perhaps the deviation control or the limiter",
            "Set the limiter and the deviation control with the input driven 20 dB above standard"
            " test modulation.",
        ),
        "deviation low": (
            "Too little deviation for what comes in: perhaps the audio level between receiver and"
            " transmitter",
            "Set the repeat level with standard test modulation at a strong signal.",
        ),
        "hum": (
            "Hum and noise at a strong signal: perhaps the supply's ripple, a charger that is on,"
            " or a ground",
            "Run it from its battery with the charger off; if the hum goes away, it is the supply.",
        ),
        "distortion": (
            "Distorted audio: perhaps the receiver or the signal off frequency, or a stage that is"
            " driven too hard",
            "Measure the receiver's centre, and see that the generator is on frequency and not"
            " over-deviated.",
        ),
        "battery weak": (
            "The battery gives far less than is marked on it: perhaps it is worn, or was not full",
            "Charge it to the maker's end of charge and run it down once more; then replace it."
            " Fuse first, and air the room.",
        ),
    }
)


def hint_in_words(hint: Hint) -> HintLine:
    """Put a hint into words."""
    title, next_check = _WORDS[hint.cause]
    evidence = [_reading(reading) for reading in hint.evidence]
    if hint.gap is not None:
        distance = quantity(hint.gap.value_db, "dB", hint.gap.expanded_uncertainty_db)
        bound = {"upper": "at most ", "lower": "at least ", None: ""}[hint.gap.bound]
        evidence.append(f"12 dB SINAD lies {bound}{distance} above the opening")
    evidence += [minus(text).rstrip(".") for text in hint.told]
    return HintLine(
        title=title,
        evidence=tuple(dict.fromkeys(evidence)),
        next_check=sentence(next_check),
        is_of_the_bench=hint.is_of_the_bench,
    )


def _reading(reading: Reading) -> str:
    named = {key: held for key, held in reading.conditions.items() if key == "knob"}
    under = f" ({conditions_in_words(named)})" if named else ""
    flags = f", {', '.join(reading.flags)}" if reading.flags else ""
    return f"{title_of(reading.name)}{under} {in_words(reading)}{flags}"
