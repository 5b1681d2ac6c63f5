"""The tables of a report; None where there is nothing to show."""

from collections import Counter
from collections.abc import Sequence
from datetime import date
from typing import Final
from zoneinfo import ZoneInfo

from service.climate.assessment import CHECKS
from service.lookback.bodies import Body
from service.lookback.forms.document import Cell, Table, cells
from service.lookback.forms.verdicts import never_of_each, shown_verdicts
from service.lookback.lives.compared import value_words
from service.lookback.noted import entry_words
from service.lookback.text import FACT_WORDS
from service.lookback.words import (
    channel_words,
    check_name,
    clock_words,
    condition_words,
    counted,
    day_words,
    lasting,
    listed,
    ms_of,
    zone_words,
)

MOST_ROWS: Final = 60
"""Of what did not go well; the rest stands in the JSON and in the bundle of tables."""
_SHORT: Final = {"met": "met", "not met": "missed", "borderline": "too close", "no data": "not known", None: "not over"}


def verdict_cell(verdict: str | None) -> Cell:
    """Return a verdict in a word, with its mark."""
    return Cell(_SHORT[verdict], verdict or "running")


def day_table(report: Body) -> Table:
    """Return a row a day: where, verdict, what was missed or not known, and the day's fingerprint."""
    rows, never = [], never_of_each(report["days"])
    for day, shown in zip(report["days"], shown_verdicts(report["days"]), strict=True):
        missed = [check_name(c["check"]).lower() for c in day["checks"] if c["verdict"] in {"not met", "borderline"}]
        hidden = never[day["enclosure"]]
        unknown = sum(c["verdict"] == "no data" and c["check"] not in hidden for c in day["checks"])
        said = listed(missed) + (f"{'; ' if missed else ''}{counted(unknown, 'check')} not known" if unknown else "")
        when = date.fromisoformat(day["date"])
        rows.append(
            (
                Cell(f"{day_words(when)} {when.year}", day=(day["enclosure"], day["date"])),
                Cell(day["enclosure"]),
                verdict_cell(shown["verdict"]),
                Cell(said or ("nothing was asked for" if not day["checks"] else "–")),
                Cell(day["fingerprint"]),
            )
        )
    heads = ("Day", "Enclosure", "Verdict", "Missed or too close", "Fingerprint")
    return Table("Day by day", heads, tuple(rows), (0.17, 0.17, 0.12, 0.35, 0.19))


def check_table(report: Body) -> Table | None:
    """Return a row a check: how many days met, missed, were too close or are not known, and the median."""
    found: dict[str, list[Body]] = {}
    for day in report["days"]:
        for check in day["checks"]:
            found.setdefault(check["check"], []).append(check)
    order = [*CHECKS, *(check for check in found if check not in CHECKS)]
    rows = []
    for check in (one for one in order if one in found):
        verdicts = Counter(one["verdict"] for one in found[check])
        values = sorted(c["value"] for c in found[check] if c["value"] is not None and c["verdict"] != "no data")
        middle = values[len(values) // 2] if values else None
        lowest = f"{value_words(values[0], found[check][0]['unit'])}" if values else "–"
        highest = f"{value_words(values[-1], found[check][0]['unit'])}" if values else "–"
        texts = (
            check_name(check), _target_words(found[check][-1]), *(str(verdicts[v]) for v in ("met", "not met")),
            str(verdicts["borderline"]), str(verdicts["no data"]), lowest,
            value_words(middle, found[check][0]["unit"]) if values else "–", highest,
        )  # fmt: skip
        rows.append(cells(texts))
    heads = ("Check", "Target", "Met", "Missed", "Too close", "Not known", "Lowest", "Median", "Highest")
    widths = (0.2, 0.2, 0.07, 0.08, 0.09, 0.1, 0.09, 0.09, 0.09)
    return Table("Each check over the span", heads, tuple(rows), widths, frozenset(range(2, 9))) if rows else None


def _target_words(check: Body) -> str:
    target = check["target"]
    unit = {"Cel": "°C", "1": ""}.get(target["unit"], target["unit"])
    low, high = target["low"], target["high"]
    band = (
        f"{low:g} to {high:g} {unit}"
        if low is not None and high is not None
        else f"at least {low:g} {unit}"
        if low is not None
        else f"at most {high:g} {unit}"
        if high is not None
        else ""
    ).strip()
    share = f"{100 * target['share']:g} % of the time" if target["share"] is not None else ""
    return ", ".join(filter(None, (band, share))) or "–"


def missed_table(report: Body) -> Table | None:
    """Return the checks that were missed or too close, the first of them where they are many."""
    found = [
        (day, check)
        for day in report["days"]
        for check in day["checks"]
        if check["verdict"] in {"not met", "borderline"}
    ]
    rows = tuple(
        (
            Cell(day_words(date.fromisoformat(day["date"])), day=(day["enclosure"], day["date"])),
            Cell(check_name(check["check"])),
            verdict_cell(check["verdict"]),
            Cell(value_words(check["value"], check["unit"])),
            Cell(_target_words(check)),
            Cell("–" if check["uncertainty"] is None else f"{check['uncertainty']:.2f}"),
            Cell("–" if check["coverage"] is None else f"{100 * check['coverage']:.0f} %"),
            Cell(zone_words(check["zone"]) if check["zone"] else "–"),
        )
        for day, check in found[:MOST_ROWS]
    )
    left = len(found) - len(rows)
    caption = "What was missed or too close to tell" + (f"; {left} more in the bundle of tables" if left else "")
    heads = ("Day", "Check", "Verdict", "Value", "Target", "U (k = 2)", "Covered", "Zone")
    widths = (0.12, 0.2, 0.11, 0.1, 0.2, 0.09, 0.08, 0.1)
    return Table(caption, heads, rows, widths, frozenset({3, 5, 6})) if rows else None


def comparison_table(caption: str, rows: Sequence[Body]) -> Table | None:
    """Return a comparison: medians of both sides, the usual spread, and whether they are apart."""
    shown = tuple(
        (
            Cell(check_name(row["check"])),
            Cell(value_words(row["own"], row["unit"])),
            Cell(value_words(row["other"], row["unit"])),
            Cell(value_words(row["other_spread"], row["unit"])),
            Cell(f"{row['own_days']} / {row['other_days']}"),
            Cell("apart" if row["apart"] else "alike", "not met" if row["apart"] else "met"),
        )
        for row in rows
    )
    heads = ("Check", "Here, then", "Compared with", "Usual spread", "Days", "Apart")
    return Table(caption, heads, shown, (0.3, 0.16, 0.16, 0.15, 0.12, 0.11), frozenset({1, 2, 3, 4})) if shown else None


def misting_table(report: Body, zone: ZoneInfo) -> Table | None:
    """Return the mistings that were weak or did not reach the air."""
    wanted = [cycle for cycle in report["misting"] if cycle["verdict"] in {"weak", "none"}]
    rows = tuple(
        cells(
            (
                clock_words(cycle["at"], zone),
                cycle.get("enclosure", report["subject"].get("enclosure", "")),
                {"weak": "weak", "none": "did not reach the air"}[cycle["verdict"]],
                "–" if cycle["response"] is None else f"{cycle['response']:.0f} %RH",
            )
        )
        for cycle in wanted[-MOST_ROWS:]
    )
    heads = ("When", "Enclosure", "What it did", "Added humidity")
    caption = f"Of {counted(len(report['misting']), 'misting cycle')}, those that were weak or did not reach the air"
    return Table(caption, heads, rows, (0.25, 0.25, 0.3, 0.2), frozenset({3})) if rows else None


def alarm_table(report: Body, zone: ZoneInfo) -> Table | None:
    """Return the alarms of the span, the last ones where they are many."""
    rows = []
    for alarm in report["alarms"][-MOST_ROWS:]:
        unit = {"Cel": "°C", "1": "", "0/1": ""}.get(alarm["unit"] or "", alarm["unit"] or "")
        lasted = (
            "still stands"
            if alarm["returned_at"] is None
            else lasting(ms_of(alarm["returned_at"]) - ms_of(alarm["raised_at"]))
        )
        peak = "–" if alarm["peak"] is None else f"{alarm['peak']:.1f} {unit}".strip()
        seen = f"{alarm['acknowledged_by']}" if alarm["acknowledged_by"] else "nobody"
        what = condition_words(alarm["condition"]) + (f", {zone_words(alarm['zone'])}" if alarm["zone"] else "")
        where = alarm.get("enclosure", report["subject"].get("enclosure", ""))
        rows.append(cells((clock_words(alarm["raised_at"], zone), where, what, lasted, peak, seen)))
    left = len(report["alarms"]) - len(rows)
    heads = ("Raised", "Enclosure", "What", "Lasted", "Furthest", "Seen by")
    caption = "Alarms that stood" + (f"; {left} earlier ones in the bundle of tables" if left else "")
    return Table(caption, heads, tuple(rows), (0.18, 0.17, 0.25, 0.15, 0.1, 0.15)) if rows else None


def gap_table(report: Body, zone: ZoneInfo) -> Table | None:
    """Return the longest gaps in order of time."""
    longest = sorted(report["gaps"], key=lambda gap: ms_of(gap["from"]) - ms_of(gap["to"]))[:30]
    rows = tuple(
        cells(
            (
                clock_words(gap["from"], zone),
                lasting(ms_of(gap["to"]) - ms_of(gap["from"])),
                channel_words(gap["channel"], gap["zone"]),
                gap["reason"],
            )
        )
        for gap in sorted(longest, key=lambda gap: (gap["from"], gap["channel"]))
    )
    left = len(report["gaps"]) - len(rows)
    caption = "Gaps" + (f"; {left} shorter ones in the bundle of tables" if left else "")
    return Table(caption, ("From", "For", "Channel", "Why"), rows, (0.18, 0.14, 0.4, 0.28)) if rows else None


def journal_table(report: Body, zone: ZoneInfo) -> Table | None:
    """Return what was noted."""
    rows = tuple(
        cells(
            (
                clock_words(entry["at"], zone),
                entry["animal"] or entry["clutch"] or entry["enclosure"] or "",
                entry_words(entry) + (" (corrected)" if entry["corrected"] else ""),
                entry["entered_by"],
            )
        )
        for entry in report["journal"][-2 * MOST_ROWS :]
    )
    return Table("What was noted", ("When", "Of", "What", "By"), rows, (0.18, 0.2, 0.44, 0.18)) if rows else None


def correction_table(report: Body, zone: ZoneInfo) -> Table | None:
    """Return corrections with both versions."""
    rows = []
    for one in report.get("corrections", ()):
        was, now = one["was"], one["is"]
        if was is None or now is None:
            rows.append(cells((one["kind"], one["sentence"], "", "")))
            continue
        entered = f"{now['entered_by']}, {clock_words(now['entered_at'], zone)}"
        rows.append(cells((one["kind"], now["said"], was["said"], entered)))
    heads = ("What", "As it is now", "As it was entered before", "Corrected by")
    return Table("Corrections, with both versions", heads, tuple(rows), (0.15, 0.32, 0.32, 0.21)) if rows else None


def fact_table(report: Body, zone: ZoneInfo) -> Table | None:
    """Return the facts that held in the span."""
    rows = tuple(
        cells(
            (
                clock_words(fact["from"], zone) if ms_of(fact["from"]) > ms_of(report["from"]) else "from before",
                clock_words(fact["until"], zone) if fact["until"] else "",
                fact.get("enclosure", ""),
                FACT_WORDS[fact["kind"]](fact),
                fact["entered_by"],
            )
        )
        for fact in sorted(report["facts"], key=lambda fact: (max(fact["from"], report["from"]), fact["kind"]))
    )
    heads = ("From", "Until", "Enclosure", "What", "Entered by")
    return Table("Facts in force", heads, rows, (0.14, 0.14, 0.16, 0.4, 0.16)) if rows else None


def egg_table(report: Body) -> Table | None:
    """Return a clutch's days: temperatures and degree-days."""
    days = (report.get("eggs") or {}).get("days", [])
    total, rows = 0.0, []
    for day in days:
        total += day["degree_days"] or 0.0
        known = day["mean"] is not None
        texts = (
            day_words(date.fromisoformat(day["date"])),
            *(f"{day[name]:.1f} °C" if known else "not known" for name in ("low", "mean", "high")),
            "–" if day["degree_days"] is None else f"{day['degree_days']:.2f}",
            "–" if day["degree_days"] is None else f"{total:.1f}",
            f"{100 * day['coverage']:.0f} %",
        )
        rows.append(cells(texts))
    heads = ("Day", "Lowest", "Mean", "Highest", "Degree-days", "Summed", "Covered")
    widths = (0.2, 0.14, 0.14, 0.14, 0.14, 0.12, 0.12)
    return Table("Temperature where the eggs lay", heads, tuple(rows), widths, frozenset(range(1, 7))) if rows else None
