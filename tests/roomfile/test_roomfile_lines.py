import tomllib

from hypothesis import given
from hypothesis import strategies as st

from service.roomfile.lines import locate
from service.roomfile.toml_text import written

TEXT = '''\
# a comment with [[brackets]] and = signs
top = 1
"quoted key" = 2

[site]  # [not this]
name = """
[[room]]
id = "no room"
"""
other = \'\'\'a ''b'' \'\'\'
dotted.key = 1

[[room]]
id = "a"
[[room.shelf]]
at = [
  1,
  { deep = [ "x]", "y#" ] }, # ]
]
[[room]]
id = "b # no comment"
inline = { one = 1, two = { three = "}" } }
[[room.shelf]]
at = 07:30:00
[room.shelf.more]
last = 2026-01-01 00:00:00Z
'''


def test_every_kind_of_key_is_found_where_it_stands() -> None:
    tomllib.loads(TEXT)
    lines = locate(TEXT)
    expected = {
        ("top",): 2,
        ("quoted key",): 3,
        ("site",): 5,
        ("site", "name"): 6,
        ("site", "other"): 10,
        ("site", "dotted"): 11,
        ("site", "dotted", "key"): 11,
        ("room",): 13,
        ("room", 0): 13,
        ("room", 0, "id"): 14,
        ("room", 0, "shelf", 0): 15,
        ("room", 0, "shelf", 0, "at"): 16,
        ("room", 0, "shelf", 0, "at", 0): 17,
        ("room", 0, "shelf", 0, "at", 1, "deep"): 18,
        ("room", 1): 20,
        ("room", 1, "id"): 21,
        ("room", 1, "inline", "two", "three"): 22,
        ("room", 1, "shelf", 0, "at"): 24,
        ("room", 1, "shelf", 0, "more", "last"): 26,
    }
    assert {path: lines.line_of(path) for path in expected} == expected


def test_what_is_not_written_has_the_line_of_what_is_around_it() -> None:
    lines = locate(TEXT)
    assert lines.line_of(("room", 1, "absent")) == 20
    assert lines.line_of(("absent",)) == 1


@given(st.lists(st.text(st.characters(exclude_categories=["Cs"])), max_size=8))
def test_no_text_however_written_hides_the_line_of_the_next_key(texts: list[str]) -> None:
    text = "\n".join(f"key{number} = {written(value)}" for number, value in enumerate(texts))
    assert tomllib.loads(text) == {f"key{number}": value for number, value in enumerate(texts)}
    lines = locate(text)
    for number in range(len(texts)):
        assert lines.line_of((f"key{number}",)) == number + 1
