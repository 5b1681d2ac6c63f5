"""The truth table as Markdown."""

from collections.abc import Iterator, Sequence

from tests.truth.tally import Score, Tally

_ORDER = ("high", "medium", "low", "")
_VERDICTS = ("confirmed", "weak", "none", "saturated", "no data")
_COLUMNS = (
    "condition", "priority", "visible", "by a fault", "caught", "missed", "delay, median", "delay, p95", "alarms",
    "false", "within error", "lying probe",
)  # fmt: skip
_MADE = """\
Simulated rooms of eight species, with their seasons, cadences, lost messages, probe errors and faults at random by
seed, were stored, and the watch and the day assessment run over what was stored."""
_WORDS = """\
Delays in minutes.

**Visible**: what the true physics and the fault list let be seen, decided without looking at what the watch said. For
a limit: the true value in the zone lay beyond the profile's limit by more than the probe's whole error (sheet, drift,
soaking, noise, rounding) for the on-delay and the time that the element lags, while its probe sent and told no lie;
humidity only outside the 3 h after a misting. For a probe: its fault lasted as long as the rule asks, and another
probe truly moved, or differed, by enough; or it showed what its element cannot have measured. For `misting-missed`:
while a pump was dead, at least one cycle fell into air that had room and truly took up no more than 1 %RH. For
`misting-weakening`: the ratio of true responses stood below 0.5 for two cycles. **By a fault**: an injected fault of
the enclosure or probe stood then; the rest is the climate itself, such as a hot week, or a keeping that runs close to
its limits.

**False**: an alarm for which the truth holds nothing. **Within error**: the reading was beyond the limit, the true
value short of it, by no more than the probe's own error; no watch can tell these from true ones. **Lying probe**: on
the word of a probe that an injected fault made lie. **Delay**: from when the true value passed its limit, or the
fault began, to the alarm; the on-delay is part of it. An alarm within the probe's error stands for a day and a half
after its last excess: where the true value passes its limit meanwhile by less than the probe can tell, it is caught
by what stands, with no delay.

**Why an alarm within the probe's error stays.** Between the limit less U and the limit plus U no reading says on
which side the animal is (JCGM 106:2012, clause 8). To call only what is beyond limit plus U would be a guarded
rejection: hardly ever wrong, and silent at up to twice U beyond the limit, which for a plain probe of ± 1 °C is more
than 2 °C, night after night. To call from limit less U on would be right for the animal and useless to the keeper,
since a well-kept retreat stands there all day. So the limit itself decides, with the risk shared: the first such
excess is called, with its priority, after its on-delay, and says that it lies within the probe's error. What is left
out is the repetition. It is one alarm however often the value crosses the limit, until it has kept away for a day and
a half; and a new one at once when an excess beyond U lasts for the on-delay. No limit, delay or deadband depends on
the simulator.

`basking-heading-over` is a forecast. Nothing is asked of it but to be true: the ceiling is passed within 20 min, or a
fault of the equipment stands."""
_MISTING = """\
A verdict of the day assessment is **right** when the water that truly entered the air allows it. The truth is the
simulator's own vapour at its own temperature, as added humidity against the 10 min before. A probe of the kind may
measure it between what lasted for its lag and two cadences, less the same-channel error, and the greatest, with that
error.

- `confirmed`: water came from a nozzle, and the true response reached 10 %RH. A dead pump is never to be confirmed.
- `weak`: the response may be measured between the noise and 10 %RH with its U; or humidity itself truly did not rise.
- `none`: the response may be measured within the noise; never right when the pump ran at 0.8 of its flow or more and
  the true response reached 10 %RH.
- `saturated`: the air truly had, within the probe's error, no room for 10 %RH with its U, or was wet from a cycle
  minutes before.
- `no data`: the probes sent too little."""


def _number(value: float | None) -> str:
    return "–" if value is None else f"{value:.0f}"


def _line(cells: Sequence[object]) -> str:
    return f"| {' | '.join(str(cell) for cell in cells)} |"


def _conditions(score: Score) -> Iterator[str]:
    yield _line(_COLUMNS)
    yield _line(["---", "---", *["--:"] * (len(_COLUMNS) - 2)])
    tallies = sorted(score.conditions.items(), key=lambda pair: (_ORDER.index(pair[1].priority), pair[0]))
    for name, tally in tallies:
        yield _row(name, tally)


def _row(name: str, tally: Tally) -> str:
    return _line([
        f"`{name}`", tally.priority or "–", tally.visible, tally.by_fault, tally.caught, len(tally.missed),
        _number(tally.delay(50)), _number(tally.delay(95)), tally.raised, len(tally.false), len(tally.near),
        len(tally.lying),
    ])  # fmt: skip


def _misting(score: Score, whose: str) -> Iterator[str]:
    yield _line(["pump", *(f"{verdict}: right / wrong" for verdict in _VERDICTS)])
    yield _line(["---", *["--:"] * len(_VERDICTS)])
    for pump, words in (("sprayed", "water came"), ("dead", "none came")):
        counts = [[score.misting[whose, pump, verdict, good] for good in (True, False)] for verdict in _VERDICTS]
        yield _line([words, *(f"{right} / {wrong}" for right, wrong in counts)])


def _share(score: Score, whose: str) -> str:
    right, wrong = score.verdicts(whose)
    total = right + wrong
    return f"{right} of {total} right ({100 * right / total:.2f} %)" if total else "none"


def _rate(told: Sequence[str], score: Score) -> str:
    return f"{len(told) / max(score.months, 1e-9):.2f} an enclosure-month ({len(told)})"


def _plain(score: Score) -> str:
    return ", ".join(f"{score.plain[verdict]} {verdict}" for verdict in _VERDICTS)


def _each(title: str, told: Sequence[str]) -> Iterator[str]:
    if told:
        yield f"\n{title}:\n"
        yield from (f"- {line}" for line in told)


def _summary(score: Score) -> Iterator[str]:
    faults = ", ".join(f"{n} {kind}" for kind, n in sorted(score.faults.items()))
    visible = sum(tally.visible for tally in score.conditions.values())
    yield f"{score.months:.0f} enclosure-months, {score.readings:,} readings, {score.faults.total()} faults: {faults}."
    yield ""
    yield f"- Visible and missed: **{len(score.missed)}** of {visible}."
    yield f"- Misting verdicts: **{_share(score, 'healthy')}**."
    yield f"- Where an injected fault made a probe lie: {_share(score, 'lying')}."
    yield f"- False alarms of medium and high priority: **{_rate(score.false_urgent, score)}**."
    yield f"- Within the probe's own error besides: {_rate(score.near_urgent, score)}."
    yield f"- Both together: {_rate([*score.false_urgent, *score.near_urgent], score)}."


def text_of(score: Score, command: str, *, each: bool = False) -> str:
    """Return the whole table; `each` tells every miss, false alarm and wrong verdict too."""
    lines = ["# The truth table", "", f"Made by `{command}`.", "", _MADE, "", *_summary(score), ""]
    lines += ["## Conditions", "", *_conditions(score), "", _WORDS, ""]
    lines += ["## Misting cycles", "", *_misting(score, "healthy"), "", _MISTING, ""]
    lines += [
        f"Cycles of a dead pump into air that had room and truly took up no more than 1 %RH: {_plain(score)}.",
        "",
    ]
    lines += ["Where a fault made one of the two probes lie (stuck, wet, drifting), by the same truth:", ""]
    lines += [*_misting(score, "lying"), *_each("Missed", score.missed), *_each("Misting, wrong", score.wrong)]
    if each:
        for name, tally in score.conditions.items():
            lines += _each(f"{name}, false", tally.false)
            lines += _each(f"{name}, within error", tally.near)
            lines += _each(f"{name}, lying probe", tally.lying)
    return "\n".join(lines)
