"""Whether the service lives, whether it is ready, and its figures for other watchers."""

from collections.abc import Iterator, Mapping
from datetime import datetime

from fastapi import APIRouter, Request, Response
from prometheus_client.core import CounterMetricFamily, GaugeMetricFamily, Metric
from prometheus_client.openmetrics.exposition import CONTENT_TYPE_LATEST, generate_latest
from prometheus_client.registry import Collector, CollectorRegistry

from service.api.answers import Answer
from service.api.parts import MATTERS_NOT, Parts
from service.api.problems import documented, problem
from service.api.requests import PartsDep
from service.model import RouteState, to_ms
from service.store.alarms import list_alarms
from service.store.deliveries import GIVEN_UP, SENT, WAITING, WITHDRAWN, Counts, message_counts, route_states
from service.store.processes import FIGURES
from service.store.readings import newest_readings, number

_EVERY_ALARM = 100_000

router = APIRouter(tags=["health"])


class AliveAnswer(Answer):
    """The service answers."""

    status: str


class ComponentAnswer(Answer):
    """How a part of the service is."""

    ok: bool
    said: str


class ReadyAnswer(Answer):
    """Every part that matters does its work."""

    ready: bool
    components: dict[str, ComponentAnswer]


@router.get("/healthz")
async def is_alive() -> AliveAnswer:
    """Return at once: the process lives and answers."""
    return AliveAnswer(status="ok")


@router.get("/readyz", response_model=ReadyAnswer, responses=documented(503))
async def is_ready(request: Request, parts: PartsDep) -> ReadyAnswer | Response:
    """Return how each part of the service is; 503 while one that matters does not work."""
    states = dict(parts.component_states())
    components = {name: {"ok": state.ok, "said": state.said} for name, state in sorted(states.items())}
    wrong = [
        f"{name}: {state.said}" for name, state in sorted(states.items()) if not state.ok and name not in MATTERS_NOT
    ]
    if wrong:
        return problem(request, 503, "; ".join(wrong), more={"components": components})
    return ReadyAnswer(ready=True, components={name: ComponentAnswer(**state) for name, state in components.items()})


@router.get(
    "/metrics",
    response_class=Response,
    responses={200: {"content": {"application/openmetrics-text": {"schema": {"type": "string"}}}}, **documented(503)},
)
def get_metrics(parts: PartsDep) -> Response:
    """Return the service's figures as OpenMetrics text."""
    registry = CollectorRegistry(auto_describe=False)
    registry.register(_Figures(parts))
    return Response(generate_latest(registry), media_type=CONTENT_TYPE_LATEST)


class _Figures(Collector):
    """The figures, read from the store when they are asked for."""

    def __init__(self, parts: Parts) -> None:
        self._parts = parts

    def describe(self) -> list[Metric]:
        return []

    def collect(self) -> Iterator[Metric]:
        with self._parts.store.read() as session:
            facts = self._parts.facts(session)
            newest = newest_readings(session)
            writes, changes = number(session, "write"), number(session, "facts")
            alarms = list_alarms(session, standing=True, limit=_EVERY_ALARM)
            priorities = [alarm.priority for alarm in alarms]
            outbox, routes = message_counts(session), route_states(session)
        yield GaugeMetricFamily("wardian_enclosures", "Enclosures in use.", len(facts.enclosures))
        yield GaugeMetricFamily("wardian_channels", "Channels known.", len(facts.channels))
        age = GaugeMetricFamily("wardian_newest_reading_age_seconds", "Since the newest reading of any channel.")
        if newest:
            age.add_metric([], (to_ms(self._parts.now()) - max(row.at_ms for row in newest)) / 1000)
        yield age
        standing = GaugeMetricFamily("wardian_alarms_standing", "Alarms whose condition holds.", labels=["priority"])
        for priority in ("high", "medium", "low"):
            standing.add_metric([priority], priorities.count(priority))
        yield standing
        yield from _telling(outbox, routes, self._parts.now())
        yield CounterMetricFamily("wardian_writes", "Writes of readings.", writes)
        yield CounterMetricFamily("wardian_fact_changes", "Changes of the room's facts.", changes)
        for name, value in self._parts.figures().items():
            counts, said = FIGURES[name]
            family = CounterMetricFamily if counts else GaugeMetricFamily
            yield family(f"wardian_{name}", said, value)
        component = GaugeMetricFamily("wardian_component_ok", "Whether a part does its work.", labels=["component"])
        for name, state in sorted(self._parts.component_states().items()):
            component.add_metric([name], float(state.ok))
        yield component


def _telling(outbox: Counts, routes: Mapping[int, RouteState], now: datetime) -> Iterator[Metric]:
    """Yield how many messages went, wait or were given up, and how many routes fail."""
    messages = CounterMetricFamily("wardian_messages", "Messages to contacts that are settled.", labels=["outcome"])
    for state in (SENT, GIVEN_UP, WITHDRAWN):
        messages.add_metric([state.replace(" ", "_")], outbox.by_state.get(state, 0))
    yield messages
    yield CounterMetricFamily("wardian_message_attempts", "Attempts to send messages.", outbox.attempts)
    waiting = GaugeMetricFamily("wardian_messages_waiting", "Messages that wait to be sent.")
    waiting.add_metric([], outbox.by_state.get(WAITING, 0))
    yield waiting
    age = GaugeMetricFamily("wardian_oldest_message_age_seconds", "Since the oldest message that waits was made.")
    age.add_metric([], (now - outbox.oldest_waiting).total_seconds() if outbox.oldest_waiting else 0.0)
    yield age
    failing = GaugeMetricFamily("wardian_routes_failing", "Contacts whose route fails.")
    failing.add_metric([], sum(state.failing_since is not None for state in routes.values()))
    yield failing
