"""Care tasks in the room file: entered, changed, left alone by a file that speaks of none, and journalled."""

import pytest
from roomfile_builders import MORE, NOW, ROOM, apply, changed
from sqlmodel import select

from service.errors import RoomFileInvalid
from service.model import Change
from service.store.care import add_task, care_tasks, close_task, last_done
from service.store.engine import Store

CARE = MORE[MORE.index("[[care]]") : MORE.index("[[calibration]]")]


def standing(store: Store) -> list[tuple[str, float, str]]:
    with store.read() as session:
        return [(task.kind, task.every_days, task.first_due.isoformat()) for task in care_tasks(session)]


def test_tasks_are_entered_once_and_what_was_done_outlasts_a_change(store: Store) -> None:
    apply(store, ROOM + CARE)
    first = [("Change the water", 7.0, "2026-05-04T08:00:00+00:00"), ("test the cut-out", 180.5, NOW.isoformat())]
    assert standing(store) == first
    assert not apply(store, ROOM + CARE)
    with store.write() as session:
        close_task(session, 1, "keeper", NOW)
    plan = apply(store, ROOM + changed(CARE, ("every_days = 7", "every_days = 3")))
    (sentence,) = plan.sentences
    assert 'care task "Change the water" of rack-a-3 is due every 3 days' in sentence
    assert "before, every 7 days" in sentence
    with store.read() as session:
        assert last_done(session)[1].at == NOW
        change = session.exec(select(Change).where(Change.subject == 'enclosure "rack-a-3"')).all()[-1]
        assert (change.before or {})["every_days"] == 7
    assert standing(store)[0][1] == 3


def test_a_file_without_care_leaves_the_tasks_of_the_page_alone(store: Store) -> None:
    apply(store, ROOM)
    with store.write() as session:
        add_task(session, "descale", 30, None, NOW, "keeper", NOW)
        add_task(session, "rake", 30, 2, NOW, "keeper", NOW)
    assert not apply(store, ROOM)
    # The enclosure is gone from the file: its tasks with it. The file that names one task speaks for all.
    gone = changed(ROOM, ('[[enclosure]]\nid = "rack-a-4"\nroom = "front"\n', ""))
    assert 'care task "rake" of rack-a-4 comes due no more' in " ".join(apply(store, gone).sentences)
    assert [one[0] for one in standing(store)] == ["descale"]
    apply(store, gone + CARE)
    assert [one[0] for one in standing(store)] == ["Change the water", "test the cut-out"]


@pytest.mark.parametrize(
    ("swap", "said"),
    [
        (("every_days = 7", "every_days = 0"), '"every_days" is 0, expected above 0'),
        (
            ('what = "test the cut-out"', 'what = "change  the water"\nenclosure = "rack-a-3"'),
            "is a task of that place",
        ),
        (('enclosure = "rack-a-3"', 'enclosure = "rack-a-33"'), 'enclosure "rack-a-33" is unknown'),
        (('what = "Change the water"\n', ""), 'key "what" is missing'),
    ],
)
def test_what_can_be_no_task_is_told_with_its_line(store: Store, swap: tuple[str, str], said: str) -> None:
    with pytest.raises(RoomFileInvalid) as refused:
        apply(store, ROOM + changed(CARE, swap))
    assert said in " ".join(refused.value.problems)
