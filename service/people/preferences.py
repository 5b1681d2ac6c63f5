"""What a person chose for themselves."""

from service.model import Person
from service.store.engine import Store


def choose_degrees(store: Store, person_id: int, degrees: str) -> None:
    """Let a person read temperatures in other degrees: ``C`` or ``F``."""
    with store.write() as session:
        person = session.get_one(Person, person_id)
        person.degrees = degrees
        session.add(person)
