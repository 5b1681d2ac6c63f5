import pytest

from service.store.spreadsheets import defused


@pytest.mark.parametrize(
    "text",
    ["=1+1", "+1", "-1", "@SUM(1)", "|x", "%x", " =1", "\t=1", "\tx", "\n=1", "\u202e=1", "\ufeff=1", "＝1", "＠x"],
)
def test_what_a_spreadsheet_would_run_is_led_by_an_apostrophe(text: str) -> None:
    assert defused(text) == f"'{text}"


@pytest.mark.parametrize("text", ["", "shed", "a=1", "'=1", "5 - 3", " warm"])
def test_other_texts_are_left_as_they_are(text: str) -> None:
    assert defused(text) == text
