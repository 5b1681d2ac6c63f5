"""The examples of MQTT 5.0 section 4.7, carried with their sources in data/mqtt_topic_filters.csv."""

import csv
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st
from paho.mqtt.client import topic_matches_sub

from sensors.payloads.topics import fault_of_filter
from service.ingest.topic_filters import TopicIndex, matches

with (Path(__file__).parent / "data" / "mqtt_topic_filters.csv").open(encoding="utf-8", newline="") as file:
    ROWS = list(csv.DictReader(file))
MATCHED = [row for row in ROWS if row["result"] in {"match", "no match"}]
# Rows that describe a filter in words, and shared subscriptions, which the service makes itself, are not among these.
CHECKED = [row for row in ROWS if row["result"] in {"valid filter", "invalid filter"} and " " not in row["filter"]]


@pytest.mark.parametrize("row", MATCHED, ids=lambda row: f"{row['filter']} {row['topic']}")
def test_examples_match_as_the_standard_says(row: dict[str, str]) -> None:
    assert matches(row["filter"], row["topic"]) == (row["result"] == "match")
    assert TopicIndex([(row["filter"], "it")]).find(row["topic"]) == (["it"] if row["result"] == "match" else [])


@pytest.mark.parametrize("row", CHECKED, ids=lambda row: repr(row["filter"]))
def test_filters_are_accepted_as_the_standard_says(row: dict[str, str]) -> None:
    assert (fault_of_filter(row["filter"]) is None) == (row["result"] == "valid filter")


def test_a_filter_with_a_null_character_is_refused() -> None:
    # MQTT-4.7.3-2.
    assert fault_of_filter("a\0b") is not None


def test_the_table_is_used() -> None:
    assert (len(MATCHED), len(CHECKED)) == (18, 9)


levels = st.lists(st.sampled_from(["a", "b", "", "$SYS"]), min_size=1, max_size=4)
patterns = st.lists(st.sampled_from(["a", "b", "", "+", "$SYS"]), min_size=1, max_size=4)


@given(patterns, st.booleans(), levels)
def test_matching_agrees_with_the_client_library(pattern: list[str], tail: bool, topic: list[str]) -> None:
    # Source: topic_matches_sub of paho-mqtt, a second implementation of the same section.
    topic_filter, name = "/".join([*pattern, "#"] if tail else pattern), "/".join(topic)
    if topic_filter and name:
        assert matches(topic_filter, name) == topic_matches_sub(topic_filter, name)
