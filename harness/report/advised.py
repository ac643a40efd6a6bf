"""What the advice on the squelch knob says: words for the terminal, the report and the lid card."""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import dataclass

from harness.advice import Advice, Contradiction, FalseKeyingLimit, Gap, Judged, NextStep
from harness.advice.quiet import Quiet
from harness.readings import Reading
from harness.report.quiet_wording import (
    distance_in_words,
    gap_in_words,
    rate_in_words,
    seen_in_words,
    wanted_in_words,
)
from harness.report.wording import conditions_in_words, in_words, minus, plain

AS_FOUND = "as found"
"""Stands for the position where the recordings name none."""
ON_THE_BOUND = (
    "The bound of false keying is one-sided, 95 %: only too many key-ups matter. No key-up in a"
    " time T leaves 3.0/T (2.9957/T), and each key-up more. The interval of the reading has two"
    " sides; its upper end, 3.7/T with no key-up, is passed with a chance of 2.5 % and is what"
    " verdicts go by, so that a verdict may be undecided where this bound is met. The bound holds"
    " for each position by itself, for key-ups that come one by one, and for a time that was fixed"
    " beforehand: do not end a watch because it looks good."
)


@dataclass(frozen=True, slots=True, kw_only=True)
class AdvisedLine:
    """One position of the knob, in words; what was not measured says so."""

    knob: str
    mark: str
    opening: str
    closing: str
    false_keying: str
    watched: str
    margin: str
    margin_means: str
    cost: str
    listener: str
    times: str
    standing: str
    reason: str
    is_set_here: bool
    is_left_out: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class AdvisedStep:
    """What to do next, and the command for it where there is one."""

    sentence: str
    command: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Advised:
    """The advice, in words."""

    headline: str
    sentence: str
    limit: str
    sensitivity: str
    lines: tuple[AdvisedLine, ...]
    remarks: tuple[str, ...]
    next_steps: tuple[AdvisedStep, ...]
    footnote: str = ON_THE_BOUND


def advised(advice: Advice) -> Advised:
    """Put the advice into words."""
    about = advice.chosen or advice.leading
    return Advised(
        headline=_headline(advice),
        sentence=_sentence(advice),
        limit="" if not advice.positions else _limit(advice, about),
        sensitivity=_sensitivity(advice),
        lines=tuple(_line(one, advice) for one in advice.positions),
        remarks=tuple(_remarks(advice)),
        next_steps=tuple(_step(step, advice.chosen) for step in advice.next_steps),
    )


def knob_in_words(knob: str | None) -> str:
    """Write a position as it is marked on the unit."""
    return AS_FOUND if knob is None else knob


def _headline(advice: Advice) -> str:
    if advice.chosen is not None:
        knob = advice.chosen.position.knob
        return "Leave the knob where it was found" if knob is None else f"Set the knob to {knob}"
    if advice.leading is not None:
        return f"No setting is proven yet; {_at(advice.leading)} is the one to watch longer"
    return {
        "nothing measured": "Nothing of the squelch was measured",
        "order not known": "No setting can be named: the order of the positions is not known",
        "unproven": "No setting can be named: what was seen is over the limit, or unproven",
        "incomplete": "No setting can be named: too little was measured",
        "none": "No position that was measured will do",
    }[advice.outcome]


def _at(one: Judged) -> str:
    return _knob_in_sentence(one.position.knob)


def _knob_in_sentence(knob: str | None) -> str:
    return "the position as found" if knob is None else knob


def _sentence(advice: Advice) -> str:
    chosen, leading = advice.chosen, advice.leading
    if chosen is not None and chosen.position.quiet is not None:
        measured = [one for one in advice.positions if one.position.is_measured]
        which = "only" if len(measured) == 1 else "loosest"
        quiet = chosen.position.quiet
        return (
            f"It is the {which} position measured that is shown to key falsely no more than"
            f" {plain(chosen.limit.per_h, '1/h')}: {seen_in_words(quiet)} without a signal"
            f" leave{_s(quiet)} at most {_upper(chosen)} (95 %)."
            f" {_margin_sentence(chosen, advice.sensitivity)}"
        )
    if leading is not None and leading.position.quiet is not None:
        return (
            f"{seen_in_words(leading.position.quiet).capitalize()} at {_at(leading)}"
            f" leave{_s(leading.position.quiet)} up to {_upper(leading)} (95 %): no lower limit can"
            f" be claimed from that time, and what is asked is {plain(leading.limit.per_h, '1/h')}."
            f" {_margin_sentence(leading, advice.sensitivity)}"
        )
    return {
        "nothing measured": "There is no reading of the squelch in this run.",
        "order not known": (
            "The unit file does not say which position is looser than which (knob_positions)."
        ),
        "unproven": (
            "Where the limit is neither proven nor broken, key-ups came at least as often as it"
            " allows: longer watching will not prove it. Take a tighter position, or ask for less."
        ),
        "incomplete": "Where it is not excluded, the keying or the quiet time was not measured.",
        "none": _none_will_do(advice),
    }[advice.outcome]


def _none_will_do(advice: Advice) -> str:
    standings = {one.standing for one in advice.positions}
    if standings == {"always keyed"}:
        return (
            "The transmitter stays keyed at all of them: try tighter positions, if there are any;"
            " else look for a signal on the input frequency, or for a fault of the squelch."
        )
    if standings == {"never keyed"}:
        return "Nothing opens it at any of them: try looser positions, or look for a fault."
    return (
        "Each of them is left out for the reason beside it. Between a position that falses and one"
        " that never keys there may be one that does neither; else look for a signal on the input"
        " frequency, or for a fault of the squelch."
    )


def _s(quiet: Quiet) -> str:
    return "" if quiet.key_ups > 1 else "s"


def _upper(one: Judged) -> str:
    quiet = one.position.quiet
    if quiet is None:
        return "not measured"
    return rate_in_words(quiet.upper_per_h, one.limit.per_h, is_upper=True)


def _margin_sentence(one: Judged, sensitivity: Reading | None) -> str:
    margin = one.margin
    if margin is None:
        opening = one.position.reading("squelch_opening")
        absent = [
            what
            for what, reading in (("its opening", opening), ("that level", sensitivity))
            if reading is None
        ]
        was = "were" if len(absent) > 1 else "was"
        why = f"{' and '.join(absent)} {was} not measured" if absent else "both are bounds"
        return f"How it lies to the level for 12 dB SINAD is not known: {why}."
    distance = distance_in_words(margin)
    if margin.is_above_zero:
        return (
            f"It opens {distance} below the level for 12 dB SINAD: a signal that a listener can"
            " just follow mostly opens it."
        )
    if margin.is_below_zero:
        return (
            f"It opens {distance} above the level for 12 dB SINAD: signals between the two could be"
            " followed, and do not open it."
        )
    return "It opens at the level for 12 dB SINAD, as near as the uncertainty can tell."


def _margin_means(margin: Gap | None) -> str:
    if margin is None:
        return ""
    if margin.is_above_zero:
        return "opens below 12 dB SINAD"
    return "opens above 12 dB SINAD" if margin.is_below_zero else "opens at 12 dB SINAD, within U"


def _limit(advice: Advice, about: Judged | None) -> str:
    limits = dict.fromkeys(one.limit for one in advice.positions)
    limit = about.limit if about is not None else next(iter(limits))
    text = f"Limit of false keying: {plain(limit.per_h, '1/h')}, {_origin(limit)}."
    if len(limits) > 1:
        text += " Other positions have limits of their own, which stand beside them."
    return text


def _origin(limit: FalseKeyingLimit) -> str:
    return {
        "asked for": "as asked for",
        "unit file": f"of the unit file ({limit.source})",
        "default": "chosen by this program, for the unit file gives none",
    }[limit.origin]


def _sensitivity(advice: Advice) -> str:
    reading = advice.sensitivity
    if reading is None:
        return "Sensitivity for 12 dB SINAD: not measured in this run."
    words = [conditions_in_words(reading.conditions)]
    words += [f"from {advice.sensitivity_run}"] if advice.sensitivity_run else []
    under = "; ".join(word for word in words if word)
    return f"Sensitivity for 12 dB SINAD: {in_words(reading)}{f' ({under})' if under else ''}."


def _line(one: Judged, advice: Advice) -> AdvisedLine:
    position = one.position
    is_set_here = one is advice.chosen
    mark = "set here" if is_set_here else "watch longer" if one is advice.leading else ""
    own_limit = len({each.limit for each in advice.positions}) > 1
    return AdvisedLine(
        knob=knob_in_words(position.knob),
        mark=mark,
        opening=_reading(one, "squelch_opening"),
        closing=_reading(one, "squelch_closing"),
        false_keying=_bound(one),
        watched=_watched(one, own_limit),
        margin=gap_in_words(one.margin),
        margin_means=_margin_means(one.margin),
        cost="" if one.cost is None else gap_in_words(one.cost),
        listener=_listener(one),
        times=_named(
            one,
            (("attack_time", "attack {}"), ("hang_time", "hang {}"), ("squelch_tail", "tail {}")),
        ),
        standing=one.standing,
        reason=_reason(one),
        is_set_here=is_set_here,
        is_left_out=one.standing in ("always keyed", "chatters", "never keyed", "too often"),
    )


def _reading(one: Judged, name: str) -> str:
    reading = one.position.reading(name)
    return "not measured" if reading is None else in_words(reading)


def _listener(one: Judged) -> str:
    """Say what the listener gets at the opening; nothing where nobody asked."""
    name = "sinad_at_opening"
    if name in one.position.readings and one.position.reading(name) is None:
        return "SINAD at opening not measured"
    return _named(one, ((name, "{} SINAD at opening"),))


def _named(one: Judged, names: Iterable[tuple[str, str]]) -> str:
    held = [(one.position.reading(name), words) for name, words in names]
    return ", ".join(words.format(in_words(r)) for r, words in held if r is not None)


def _bound(one: Judged) -> str:
    return "not measured" if one.position.quiet is None else f"at most {_upper(one)}"


def _watched(one: Judged, own_limit: bool) -> str:
    quiet = one.position.quiet
    parts = [] if quiet is None else [seen_in_words(quiet)]
    if own_limit:
        parts.append(f"limit {plain(one.limit.per_h, '1/h')}, {_origin(one.limit)}")
    return "; ".join(parts)


_LEFT_OUT = {
    "always keyed": "the transmitter does not drop without a signal",
    "chatters": "the transmitter drops again and again while a signal holds",
    "never keyed": "no level that was tried opens it",
}


def _reason(one: Judged) -> str:
    quiet = one.position.quiet
    if one.standing in _LEFT_OUT:
        note = one.position.readings["keying_state"].note
        return minus(f"Left out: {_LEFT_OUT[one.standing]}{f' ({note})' if note else ''}.")
    if quiet is None or one.standing == "not measured":
        return _not_measured(one)
    if one.standing == "proven":
        return f"{seen_in_words(quiet).capitalize()}: the limit is proven."
    if one.standing == "too often":
        lower = rate_in_words(quiet.lower_per_h, is_upper=False)
        return f"Left out: {seen_in_words(quiet)}, at least {lower} (95 %)."
    return f"{seen_in_words(quiet).capitalize()}: not proven. {_more(one)}"


def _more(one: Judged) -> str:
    """Say what more quiet time would do."""
    more_s, at_rate_s = one.more_s, one.more_at_rate_s
    if more_s is None or math.isinf(more_s):
        return "No time of watching proves a limit of none."
    if not one.is_open:
        return "Key-ups came at least as often as the limit allows: at that rate no time proves it."
    text = f"{wanted_in_words(more_s)} more without a key-up would prove it"
    if at_rate_s is None:
        return f"{text}."
    return f"{text}; at the rate seen it takes about {wanted_in_words(at_rate_s)} more."


def _not_measured(one: Judged) -> str:
    readings = one.position.readings
    if not one.position.is_measured:
        reasons = [readings[name].note for name in ("keying_state",) if name in readings]
        return minus(f"Not measured{f': {reasons[0]}' if reasons and reasons[0] else ''}.")
    lacks = {
        "its keying state": one.position.state is None,
        "time without a signal": one.position.quiet is None,
    }
    return (
        f"Not judged: {' and '.join(what for what, is_so in lacks.items() if is_so)} not measured."
    )


def _remarks(advice: Advice) -> Iterable[str]:
    for contradiction in advice.contradictions:
        yield _contradiction(contradiction)
    unplaced = [_at(one) for one in advice.positions if not one.position.is_placed]
    takes_part = advice.outcome == "order not known" or (
        advice.chosen is not None and not advice.chosen.position.is_placed
    )
    if unplaced and not takes_part and any(one.position.is_placed for one in advice.positions):
        yield (
            f"The unit file does not name {' and '.join(unplaced)} in knob_positions: whether that"
            " is looser or tighter than the others is not known, and it takes no part."
        )
    chosen = None if advice.chosen is None else advice.chosen.position.knob
    if chosen is not None and advice.marked_knob not in (None, chosen):
        yield (
            f"The unit file has the unit used at {advice.marked_knob} (marked_knob): mark {chosen}"
            " instead."
        )
    if advice.chosen is not None and chosen is None:
        yield "The recordings do not say at which position the knob stood: mark where it is."
    elsewhere = dict.fromkeys(
        key.replace("_", " ") for one in advice.positions for key in one.position.elsewhere
    )
    if elsewhere:
        yield (
            f"Readings under other conditions ({', '.join(elsewhere)}) stand among the readings"
            " and do not enter here."
        )


def _contradiction(found: Contradiction) -> str:
    looser, tighter = _knob_in_sentence(found.looser), _knob_in_sentence(found.tighter)
    remedy = "Is the order in the unit file right, and did the knob stand where it was said to?"
    if found.drop is None:
        return (
            f"{tighter} is said to be tighter than {looser} and keys falsely more often than chance"
            f" explains. {remedy}"
        )
    lower = distance_in_words(found.drop)
    return f"{tighter} is said to be tighter than {looser} and opens {lower} lower. {remedy}"


def _step(step: NextStep, chosen: Judged | None) -> AdvisedStep:
    knobs = " and ".join(_knob_in_sentence(knob) for knob in step.knobs)
    if step.action == "watch" and step.quiet_s is not None:
        why = "" if chosen is None else "A looser setting may do as well. "
        lasting = wanted_in_words(step.quiet_s)
        return AdvisedStep(
            sentence=f"{why}Watch {knobs} without a signal for {lasting} in one go.",
            command=_command(step),
        )
    if step.action == "measure position":
        return AdvisedStep(sentence=f"Measure {knobs}.", command=_command(step))
    if step.action == "measure opening":
        return AdvisedStep(sentence=f"Measure the opening at {knobs}.", command=_command(step))
    if step.action == "measure sensitivity":
        return AdvisedStep(
            sentence=(
                "Measure the sensitivity for 12 dB SINAD with the squelch open (harness accept"
                " does), and set it beside this run."
            ),
            command="harness report RUN.h5 --sensitivity ACCEPTED.h5",
        )
    return AdvisedStep(
        sentence="Write the positions into the unit file, from loose to tight (knob_positions)."
    )


def _command(step: NextStep) -> str:
    """Write the command line for what is to be done at some positions of the knob."""
    parts = ["harness squelch UNIT.toml BENCH.toml"]
    parts += [f"--knob {knob}" for knob in step.knobs if knob is not None]
    if step.quiet_s is not None and math.isfinite(step.quiet_s):
        minutes = math.ceil(round(step.quiet_s / 60.0, 6))
        hours, rest = divmod(minutes, 60)
        parts.append(f"--quiet {minutes}m" if rest else f"--quiet {hours}h")
    return " ".join(parts)
