import httpx
from api_room import House
from prometheus_client.openmetrics.parser import text_string_to_metric_families

from service.api.parts import ComponentState


async def test_alive_is_said_without_asking_any_part(house: House, client: httpx.AsyncClient) -> None:
    house.states["broker"] = ComponentState(False, "the broker does not answer")
    assert (await client.get("/healthz")).json() == {"status": "ok"}


async def test_ready_names_each_part(client: httpx.AsyncClient) -> None:
    answer = await client.get("/readyz")
    assert answer.status_code == 200
    assert answer.json()["components"]["broker"] == {"ok": True, "said": "connected"}


async def test_not_ready_while_a_part_that_matters_does_not_work(house: House, client: httpx.AsyncClient) -> None:
    house.states["broker"] = ComponentState(False, "the broker does not answer; check WARDIAN_BROKER")
    answer = await client.get("/readyz")
    assert answer.status_code == 503
    assert answer.json()["detail"] == "broker: the broker does not answer; check WARDIAN_BROKER"
    assert answer.json()["components"]["watch"] == {"ok": True, "said": "watching"}


async def test_ready_though_the_outside_watcher_does_not_answer(house: House, client: httpx.AsyncClient) -> None:
    house.states["heartbeat"] = ComponentState(False, "no answer")
    assert (await client.get("/readyz")).status_code == 200


async def test_metrics_are_openmetrics_and_count_what_stands(house: House, client: httpx.AsyncClient) -> None:
    house.room.alarm("rack-a-1", "basking-overheat")
    house.room.alarm("rack-a-2", "probe-silent", priority="medium")
    house.states["broker"] = ComponentState(False, "the broker does not answer")
    answer = await client.get("/metrics")
    assert answer.headers["content-type"].startswith("application/openmetrics-text; version=1.0.0")
    samples = {
        (sample.name, *sample.labels.values()): sample.value
        for family in text_string_to_metric_families(answer.text)
        for sample in family.samples
    }
    assert samples["wardian_channels",] == 4
    assert samples["wardian_newest_reading_age_seconds",] == 0
    assert samples["wardian_alarms_standing", "high"] == 1
    assert samples["wardian_alarms_standing", "low"] == 0
    assert samples["wardian_writes_total",] == 4
    assert samples["wardian_component_ok", "broker"] == 0
    assert samples["wardian_component_ok", "watch"] == 1
