"""A look-back as a keeper reads it, or reads it out: plain sentences, no codes."""

import textwrap
from collections.abc import Callable, Iterator, Mapping, Sequence
from datetime import date, datetime
from typing import Final
from zoneinfo import ZoneInfo

from service.climate.uncertainty import Verdict
from service.lookback.bodies import Body
from service.lookback.degrees import Degrees, text_in_fahrenheit
from service.lookback.summary import never_known, verdict_but_for
from service.lookback.words import (
    at_zone,
    channel_words,
    check_name,
    check_points_words,
    clock_words,
    condition_words,
    counted,
    lasting,
    listed,
    long_day_words,
    ms_of,
    weekday_words,
)
from service.store.equipment_words import equipment_words, first_up

WIDTH: Final = 100
CAUTION: Final = (
    "This page describes the climate that was measured, not the animal. Only a veterinarian can say what an animal "
    "suffers from and what to do about it: take this page along. Wardian switches nothing and is no safety device: a "
    "heat source needs its own thermostat and an independent high-limit cut-out, and mains electricity near misting "
    "residual-current protection and an electrician under the local code."
)
_DAY: Final = {
    Verdict.MET.value: "met",
    Verdict.NOT_MET.value: "not met",
    Verdict.BORDERLINE.value: "too close to tell",
    Verdict.NO_DATA.value: "not known",
    None: "not over yet",
}
_TOLD: Final = (Verdict.NOT_MET.value, Verdict.BORDERLINE.value, Verdict.NO_DATA.value)
_UNITS: Final = {"Cel": "°C", "1": "", "0/1": ""}
_MOST_CYCLES: Final = 60
_MOST_GAPS: Final = 40


def text_of(report: Body, degrees: Degrees = "C") -> str:
    """Return a look-back as text: summary, days, misting, alarms, gaps, facts, a caution and the fingerprint."""
    written = text_in_fahrenheit if degrees == "F" else _as_it_is
    zone = ZoneInfo(report["time_zone"])
    head = _whose(report["subject"])
    corrected = [one["sentence"] for one in report.get("corrections", ())] if "enclosure" in report["subject"] else []
    blocks: list[tuple[str, Iterator[str]]] = [
        ("In short", _short(report["summary"])),
        ("Day by day", _days(report["days"])),
        ("Misting", _misting(report["misting"], zone)),
        ("Alarms", _alarms(report["alarms"], zone)),
        ("When nothing was known", _gaps(report["gaps"], zone)),
        ("What held in this time", _facts(report, zone)),
        *([("Put right afterwards", iter(corrected))] if corrected else []),
        ("What this rests on", _data(report)),
    ]
    from_to = f"From {_moment(report['from'], zone)} to {_moment(report['to'], zone)}, times of {report['time_zone']}"
    lines = [f"Look-back: {head}", from_to]
    for title, block in blocks:
        lines += ["", title, "-" * len(title), *(line for said in block for line in _wrapped(written(said)))]
    return "\n".join(lines) + "\n"


def _whose(subject: Body) -> str:
    if "enclosure" in subject:
        name, key = subject["name"], subject["enclosure"]
        return name if name == key else f"{name} ({key})"
    whose = subject["animal"] if "animal" in subject else f"clutch {subject['clutch']}"
    return f"{whose}, {subject['species']}"


def _short(summary: Body) -> Iterator[str]:
    """Yield the sentences of a summary, part by part where it has parts."""
    if "parts" not in summary:
        yield from summary["sentences"]
        return
    for number, part in enumerate(summary["parts"]):
        if number:
            yield ""
        yield f"{part['title']}:"
        yield from part["sentences"]


def _as_it_is(said: str) -> str:
    return said


def _wrapped(text: str) -> list[str]:
    lines = textwrap.wrap(text, WIDTH, subsequent_indent="  ", break_long_words=False, break_on_hyphens=False)
    return lines or [""]


def _days(days: Sequence[Body]) -> Iterator[str]:
    """Yield a line a day; what is never known here is said once above, not on each of them."""
    if not days:
        yield "No day of this span has begun."
        return
    of_each = {key: never_known([d for d in days if d["enclosure"] == key]) for key in {d["enclosure"] for d in days}}
    for day in days:
        never = of_each[day["enclosure"]]
        where = f", {day['enclosure']}" if len(of_each) > 1 else ""
        parts: list[str] = []
        for verdict in _TOLD:
            checks = [c["check"] for c in day["checks"] if c["verdict"] == verdict and c["check"] not in never]
            if checks:
                parts.append(f"{_DAY[verdict]}: {listed(check_name(check).lower() for check in checks)}")
        said = "; ".join(parts) or _otherwise(day, never)
        yield f"{weekday_words(date.fromisoformat(day['date']))}{where}: {said}."


def _otherwise(day: Body, never: frozenset[str]) -> str:
    """Return what is said of a day on which nothing is amiss as far as can be known here."""
    if not day["checks"]:
        return "nothing was asked for"
    if not day["complete"]:
        return "not over yet, nothing missed so far"
    verdict = verdict_but_for(day, never)
    return "met, as far as it is measured here" if verdict != day["verdict"] else _DAY[verdict]


def _misting(cycles: Sequence[Body], zone: ZoneInfo) -> Iterator[str]:
    if not cycles:
        yield "No cycle was due, and none was measured."
        return
    left_out = len(cycles) - _MOST_CYCLES
    if left_out > 0:
        # A long list hides what matters: then only what did not work is told.
        wanted = [cycle for cycle in cycles if cycle["verdict"] in {"weak", "none"}]
        yield f"{counted(len(cycles), 'cycle')}; those that were weak or did not reach the air, at most {_MOST_CYCLES}:"
        cycles = wanted[-_MOST_CYCLES:]
    for cycle in cycles:
        day = clock_words(cycle["at"], zone).rsplit(" ", 1)[0]
        yield f"{day}: {cycle['sentence']}"


def _alarms(alarms: Sequence[Body], zone: ZoneInfo) -> Iterator[str]:
    if not alarms:
        yield "No alarm stood."
    for alarm in alarms:
        where = f" {at_zone(alarm['zone'])}" if alarm["zone"] else ""
        said = f"{clock_words(alarm['raised_at'], zone)}: {condition_words(alarm['condition'])}{where}"
        if alarm["peak"] is not None:
            unit = _UNITS.get(alarm["unit"] or "", alarm["unit"] or "")
            said += f", at its furthest {alarm['peak']:.1f} {unit}".rstrip()
        if alarm["returned_at"] is None:
            said += ", still standing"
        else:
            said += f", for {lasting(ms_of(alarm['returned_at']) - ms_of(alarm['raised_at']))}"
        by = alarm["acknowledged_by"]
        seen = f"seen by {by} on {clock_words(alarm['acknowledged_at'], zone)}" if by else "not acknowledged"
        note = f" Note: {alarm['note']}" if alarm["note"] else ""
        yield f"{said}; {seen}.{note}"


def _gaps(gaps: Sequence[Body], zone: ZoneInfo) -> Iterator[str]:
    if not gaps:
        yield "There was no gap: every channel spoke throughout."
    longest = sorted(gaps, key=lambda gap: ms_of(gap["from"]) - ms_of(gap["to"]))[:_MOST_GAPS]
    for gap in sorted(longest, key=lambda gap: (gap["from"], gap["channel"])):
        length = lasting(ms_of(gap["to"]) - ms_of(gap["from"]))
        said = f"{clock_words(gap['from'], zone)}, for {length}: {channel_words(gap['channel'], gap['zone'])}"
        yield f"{said}; {gap['reason']}."
    if len(gaps) > len(longest):
        yield f"{counted(len(gaps) - len(longest), 'shorter gap')} besides."


def _facts(report: Body, zone: ZoneInfo) -> Iterator[str]:
    """Yield the facts of the span; who entered one is said where it began or ended within."""
    if not report["facts"]:
        yield "Nothing was entered for this enclosure."
    start, end = ms_of(report["from"]), ms_of(report["to"])
    for fact in sorted(report["facts"], key=lambda f: max(start, ms_of(f["from"]))):
        before = ms_of(fact["from"]) <= start
        beyond = fact["until"] is None or ms_of(fact["until"]) >= end
        since = "" if before else f"from {_moment(fact['from'], zone)}"
        until = "" if beyond else f"until {_moment(fact['until'], zone)}"
        when = " ".join(filter(None, (since, until))) or "throughout"
        by = "" if before and beyond else f" Entered by {fact['entered_by']}."
        yield f"{when[0].upper()}{when[1:]}: {FACT_WORDS[fact['kind']](fact)}{by}"


def _moment(instant: str, zone: ZoneInfo) -> str:
    local = datetime.fromisoformat(instant).astimezone(zone)
    return f"{long_day_words(local.date())} {local:%H:%M}"


def _placement(fact: Body) -> str:
    words = channel_words(fact["channel"], fact["zone"])
    return f"{words[0].upper()}{words[1:]} was measured here."


def _calibration(fact: Body) -> str:
    return f"Reference check of {channel_words(fact['channel'])}: it read {check_points_words(fact['points'])}."


def _override(fact: Body) -> str:
    ends = (("at least", fact["low"]), ("at most", fact["high"]))
    limits = listed(f"{word} {end:g}" for word, end in ends if end is not None) or "no limit"
    return f"{check_name(fact['check'])} was set to {limits}: {fact['reason']}."


def _schedule(fact: Body) -> str:
    cycles = listed(f"{cycle['at']} for {cycle['seconds']} s" for cycle in fact["cycles"])
    return f"Misting at {cycles}." if cycles else "No misting."


def _equipment(fact: Body) -> str:
    months = fact["replace_after_months"]
    due = f", to be replaced after {months:g} months" if months else ""
    return f"{first_up(equipment_words(fact['equipment']))} installed{due}."


FACT_WORDS: Final[Mapping[str, Callable[[Body], str]]] = {
    "placement": _placement,
    "calibration": _calibration,
    "profile": lambda fact: f"Profile {fact['profile']} for {fact['species']}, version {fact['version']}.",
    "override": _override,
    "lights": lambda fact: f"Lights on at {fact['on']}, off at {fact['off']}.",
    "misting": _schedule,
    "equipment": _equipment,
}


def _data(report: Body) -> Iterator[str]:
    data = report["data"]
    said = f"{data['readings']:,} readings"
    if data["approximate"]:
        said += f", {data['approximate']:,} of them with approximate times, which judge nothing"
    if data["refused"]:
        said += f", {data['refused']:,} of them beyond what the probe can measure, which judge nothing"
    yield f"{said}."
    yield CAUTION
    fingerprint = data["fingerprint"]
    groups = " ".join(fingerprint[n : n + 8] for n in range(0, len(fingerprint), 8))
    yield "Fingerprint of the data and of this page (the same data give the same one):"
    yield groups
