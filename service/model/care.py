"""Equipment that ages and has to be replaced."""

from sqlmodel import Field

from service.model.base import DatedFact


class Equipment(DatedFact, table=True):
    """A lamp, filter, nozzle or pump of an enclosure; `from_at` is when it was installed."""

    enclosure_id: int = Field(foreign_key="enclosure.id", index=True)
    kind: str
    replace_after_months: float | None = None
