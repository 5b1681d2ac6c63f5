"""Where an animal or a clutch was, and when; what of a span was never entered, or entered twice."""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from zoneinfo import ZoneInfo

from service.climate.series import merged, without
from service.lookback.bodies import Body, instant
from service.lookback.spans import LookbackSpan
from service.lookback.words import counted, lasting, listed, long_day_words
from service.model import from_ms
from service.store.animals import AnimalFact
from service.store.clutches import ClutchFact
from service.store.facts import EnclosureFact, RoomFacts
from service.store.journal import About
from service.store.readings import END_OF_TIME


@dataclass(frozen=True, slots=True)
class Stay:
    """A time [start_ms, end_ms) in one enclosure; `zone` is where in it a clutch lay."""

    enclosure: EnclosureFact
    start_ms: int
    end_ms: int
    zone: str | None = None

    def within(self, start_ms: int, end_ms: int) -> "Stay | None":
        """Return the part of it that lies in a span."""
        first, last = max(start_ms, self.start_ms), min(end_ms, self.end_ms)
        return replace(self, start_ms=first, end_ms=last) if first < last else None


@dataclass(frozen=True, slots=True)
class Life:
    """An animal or a clutch, with where it was.

    Attributes
    ----------
    kind : str
        "animal" or "clutch".
    name, species : str
    members : int
        Of a group; the eggs of a clutch.
    stays : tuple of Stay
        In order of time.
    about : About
        For its part of the journal.
    gone_ms : int or None
        When it died, was given away, hatched or failed. [ms, UTC]
    """

    kind: str
    name: str
    species: str
    members: int
    stays: tuple[Stay, ...]
    about: About
    gone_ms: int | None = None

    def within(self, start_ms: int, end_ms: int) -> list[Stay]:
        """Return the stays, or parts of them, in a span."""
        parts = (stay.within(start_ms, end_ms) for stay in self.stays)
        return [part for part in parts if part is not None]


def life_of_animal(facts: RoomFacts, animal: AnimalFact) -> Life:
    """Return an animal's life across enclosures, those out of use too."""
    known = _by_id(facts)
    stays = tuple(Stay(known[h.enclosure_id], h.start_ms, h.end_ms) for h in animal.housings if h.enclosure_id in known)
    return Life(
        "animal", animal.name, animal.species, animal.members, stays, About(animal_id=animal.id), animal.retired_ms
    )


def life_of_clutch(facts: RoomFacts, clutch: ClutchFact) -> Life:
    """Return where a clutch lay."""
    known = _by_id(facts)
    stays = tuple(
        Stay(known[p.enclosure_id], p.start_ms, p.end_ms, p.zone) for p in clutch.places if p.enclosure_id in known
    )
    return Life(
        "clutch", clutch.name, clutch.species, clutch.terms.eggs, stays, About(clutch_id=clutch.id), clutch.ended_ms
    )


def _by_id(facts: RoomFacts) -> dict[int, EnclosureFact]:
    return {e.id: e for e in (*facts.enclosures.values(), *facts.retired.values())}


def local_span(start_ms: int, end_ms: int, zone: ZoneInfo) -> LookbackSpan:
    """Return a span with the local days that it touches."""
    first, last = (from_ms(at).astimezone(zone).date() for at in (start_ms, end_ms - 1))
    return LookbackSpan(start_ms, end_ms, first, last)


def stay_body(stay: Stay) -> Body:
    """Return a stay as JSON values."""
    return {
        "enclosure": stay.enclosure.key,
        "name": stay.enclosure.name,
        "from": instant(stay.start_ms),
        "until": None if stay.end_ms == END_OF_TIME else instant(stay.end_ms),
    } | ({} if stay.zone is None else {"zone": stay.zone})


def where_it_was(life: Life, span: LookbackSpan, zone: ZoneInfo, now_ms: int) -> list[str]:
    """Return in sentences where it was in a span, when that is not known, and when it was entered twice."""
    end = min(span.end_ms, now_ms if life.gone_ms is None else min(now_ms, life.gone_ms))
    stays = life.within(span.start_ms, end)
    verb = "lay" if life.kind == "clutch" else "lived"
    if not stays:
        return [f"Where {life.name} {verb} in this time was not entered, so nothing can be said of its climate."]
    places = [f"{_in(stay, stays, zone)}" for stay in stays]
    said = [f"{life.name} {verb} in {'; then in '.join(places)}."]
    for first, last in _unknown(stays, span.start_ms, end):
        said.append(
            f"From {_moment(first, zone)} to {_moment(last, zone)} ({lasting(last - first)}) nothing was entered: "
            f"where {life.name} {verb} then is not known."
        )
    for one, other in doubled(stays):
        first, last = max(one.start_ms, other.start_ms), min(one.end_ms, other.end_ms)
        said.append(
            f"From {_moment(first, zone)} to {_moment(last, zone)} it is entered in {one.enclosure.name} and in "
            f"{other.enclosure.name} at once: both are told, and one of them is to be corrected."
        )
    return said


def _in(stay: Stay, stays: Sequence[Stay], zone: ZoneInfo) -> str:
    name = stay.enclosure.name
    where = f"{name} ({stay.enclosure.key})" if name != stay.enclosure.key else name
    where = f"the {stay.zone.replace('-', ' ')} of {where}" if stay.zone else where
    if len(stays) == 1:
        return where
    return f"{where} from {_moment(stay.start_ms, zone)} to {_moment(stay.end_ms, zone)}"


def _unknown(stays: Iterable[Stay], start_ms: int, end_ms: int) -> list[tuple[int, int]]:
    """Return when it was nowhere, as far as was entered."""
    if end_ms <= start_ms:
        return []
    left = without(merged([(start_ms, end_ms)]), merged([(s.start_ms, s.end_ms) for s in stays]))
    return [(int(first), int(last)) for first, last in left.tolist()]


def doubled(stays: Sequence[Stay]) -> list[tuple[Stay, Stay]]:
    """Return the pairs of stays that meet: it cannot have been in both."""
    return [
        (one, other)
        for number, one in enumerate(stays)
        for other in stays[number + 1 :]
        if other.start_ms < one.end_ms and one.start_ms < other.end_ms
    ]


def _moment(at_ms: int, zone: ZoneInfo) -> str:
    local = from_ms(at_ms).astimezone(zone)
    return f"{long_day_words(local.date())} {local:%H:%M}"


def names_words(lives: Sequence[Life]) -> str:
    """Return whom several lives are: "Basil, Clover and 3 others"."""
    shown = [life.name for life in lives[:3]]
    left = len(lives) - len(shown)
    return listed([*shown, counted(left, "other")]) if left else listed(shown)
