"""What people look for by its name, that the room's facts do not hold."""

from datetime import datetime

import sqlalchemy as sa
from sqlmodel import Session

from service.model import Animal, Enclosure, Housing, table_of

_ANIMAL, _HOUSING, _ENCLOSURE = table_of(Animal), table_of(Housing), table_of(Enclosure)


def animals_housed(session: Session, at: datetime) -> list[tuple[str, str, str]]:
    """Return (name, species, enclosure's name) of each animal that is kept at that time, by name.

    The enclosure's name is empty for an animal that is housed nowhere.
    """
    later = _HOUSING.alias()
    replaced = sa.select(later.c.replaces_id).where(later.c.replaces_id.is_not(None))
    holds = sa.and_(
        _HOUSING.c.animal_id == _ANIMAL.c.id,
        _HOUSING.c.withdrawn.is_(False),
        _HOUSING.c.id.not_in(replaced),
        _HOUSING.c.from_at <= at,
        sa.or_(_HOUSING.c.until_at.is_(None), _HOUSING.c.until_at > at),
    )
    query = (
        sa.select(_ANIMAL.c.name, _ANIMAL.c.species, _ENCLOSURE.c.name)
        .select_from(_ANIMAL)
        .outerjoin(_HOUSING, holds)
        .outerjoin(_ENCLOSURE, _ENCLOSURE.c.id == _HOUSING.c.enclosure_id)
        .where(_ANIMAL.c.retired_at.is_(None))
        .order_by(_ANIMAL.c.name, _HOUSING.c.from_at)
    )
    return list({row[0]: (row[0], row[1], row[2] or "") for row in session.execute(query)}.values())
