"""Who may do what, written down by hand: each address and method, with whom the door lets in.

The sweep in `test_api_access.py` asks every one of them as everybody; `docs/access.md` is this table as a document,
made by ``python -m tests.api.access_table > docs/access.md``.
"""

from typing import Final

EVERYONE, SIGNED_IN, WORKERS, OWNER = "nvko", "vko", "ko", "o"
ACCESS: Final = {
    "GET /healthz": EVERYONE,
    "GET /readyz": EVERYONE,
    "GET /metrics": SIGNED_IN,
    "GET /api/v1/openapi.json": SIGNED_IN,
    "GET /api/v1/rooms": SIGNED_IN,
    "GET /api/v1/enclosures": SIGNED_IN,
    "GET /api/v1/enclosures/{enclosure_id}": SIGNED_IN,
    "GET /api/v1/enclosures/{enclosure_id}/now": SIGNED_IN,
    "GET /api/v1/enclosures/{enclosure_id}/series": SIGNED_IN,
    "GET /api/v1/enclosures/{enclosure_id}/days": SIGNED_IN,
    "GET /api/v1/enclosures/{enclosure_id}/misting": SIGNED_IN,
    "GET /api/v1/lookback/enclosures/{enclosure_id}": SIGNED_IN,
    "GET /api/v1/lookback/animals/{name}": SIGNED_IN,
    "GET /api/v1/lookback/clutches/{name}": SIGNED_IN,
    "GET /api/v1/animals": SIGNED_IN,
    "POST /api/v1/animals": WORKERS,
    "GET /api/v1/animals/{name}": SIGNED_IN,
    "POST /api/v1/animals/{name}/housings": WORKERS,
    "POST /api/v1/animals/{name}/housings/{number}/correct": WORKERS,
    "POST /api/v1/animals/{name}/housings/{number}/withdraw": WORKERS,
    "GET /api/v1/journal": SIGNED_IN,
    "POST /api/v1/journal": WORKERS,
    "POST /api/v1/journal/{number}/correct": WORKERS,
    "GET /api/v1/clutches": SIGNED_IN,
    "POST /api/v1/clutches": WORKERS,
    "GET /api/v1/clutches/{name}": SIGNED_IN,
    "POST /api/v1/clutches/{name}/places": WORKERS,
    "POST /api/v1/clutches/{name}/correct": WORKERS,
    "POST /api/v1/clutches/{name}/outcome": WORKERS,
    "GET /api/v1/alarms": SIGNED_IN,
    "GET /api/v1/alarms/{alarm_id}": SIGNED_IN,
    "GET /api/v1/alarms/load": SIGNED_IN,
    "GET /api/v1/alarms/load/trial": SIGNED_IN,
    "GET /api/v1/live": SIGNED_IN,
    "POST /api/v1/alarms/{alarm_id}/acknowledge": WORKERS,
    "POST /api/v1/alarms/{alarm_id}/shelve": WORKERS,
    "POST /api/v1/alarms/{alarm_id}/unshelve": WORKERS,
    "POST /api/v1/alarms/{alarm_id}/out-of-service": WORKERS,
    "POST /api/v1/alarms/{alarm_id}/return": WORKERS,
    "GET /api/v1/holds": SIGNED_IN,
    "POST /api/v1/enclosures/{enclosure_id}/out-of-service": WORKERS,
    "POST /api/v1/enclosures/{enclosure_id}/return": WORKERS,
    "POST /api/v1/readings": WORKERS,
    "GET /api/v1/contacts": SIGNED_IN,
    "GET /api/v1/deliveries": SIGNED_IN,
    "POST /api/v1/contacts/{name}/test": WORKERS,
    "GET /telling": SIGNED_IN,
    "POST /telling/test": WORKERS,
    "POST /telling/contacts": OWNER,
    "POST /telling/contacts/change": OWNER,
    "POST /telling/contacts/end": OWNER,
    "POST /telling/steps": OWNER,
    "GET /alarms/{alarm_id}": SIGNED_IN,
    "GET /api/v1/probes": SIGNED_IN,
    "GET /api/v1/probes/{probe_id}": SIGNED_IN,
    "POST /api/v1/probes": WORKERS,
    "POST /api/v1/probes/{probe_id}/place": WORKERS,
    "GET /api/v1/unclaimed": SIGNED_IN,
    "GET /api/v1/unclaimed/{source_id}": SIGNED_IN,
    "GET /probes": SIGNED_IN,
    "GET /fragments/probes": SIGNED_IN,
    "GET /probes/{key}": SIGNED_IN,
    "POST /probes/{key}/place": WORKERS,
    "GET /unclaimed/{source_id}": SIGNED_IN,
    "POST /unclaimed/{source_id}": WORKERS,
    "GET /api/v1/calibrations": SIGNED_IN,
    "POST /api/v1/calibrations": WORKERS,
    "GET /api/v1/calibrations/salts": SIGNED_IN,
    "GET /api/v1/calibrations/reading": SIGNED_IN,
    "POST /api/v1/calibrations/{number}/withdraw": WORKERS,
    "GET /": SIGNED_IN,
    "GET /fragments/tiles": SIGNED_IN,
    "GET /enclosures/{key}": SIGNED_IN,
    "GET /fragments/enclosures/{key}": SIGNED_IN,
    "GET /enclosures/{key}/figure": SIGNED_IN,
    "GET /enclosures/{key}/table": SIGNED_IN,
    "GET /enclosures/{key}/readings.csv": SIGNED_IN,
    "GET /enclosures/{key}/days": SIGNED_IN,
    "GET /enclosures/{key}/days/{day}": SIGNED_IN,
    "GET /enclosures/{key}/misting": SIGNED_IN,
    "GET /enclosures/{key}/typical-day": SIGNED_IN,
    "GET /enclosures/{key}/rain-response": SIGNED_IN,
    "GET /alarms": SIGNED_IN,
    "GET /alarms/load": SIGNED_IN,
    "GET /alarms/load/trial": SIGNED_IN,
    "GET /fragments/alarms": SIGNED_IN,
    "GET /calibration": SIGNED_IN,
    "GET /calibration/{probe}/{quantity}": SIGNED_IN,
    "GET /fragments/calibration/{probe}/{quantity}": SIGNED_IN,
    "POST /calibration/{probe}/{quantity}": WORKERS,
    "GET /reference-checks/{number}": SIGNED_IN,
    "POST /reference-checks/{number}/withdraw": WORKERS,
    "GET /about": SIGNED_IN,
    "GET /my-password": SIGNED_IN,
    "POST /my-password": SIGNED_IN,
    "POST /my-sessions/{number}/end": SIGNED_IN,
    "POST /my-sessions/end": SIGNED_IN,
    "POST /alarms/{alarm_id}/acknowledge": WORKERS,
    "POST /alarms/{alarm_id}/shelve": WORKERS,
    "POST /holds/{hold_id}/end": WORKERS,
    "POST /enclosures/{key}/out-of-service": WORKERS,
    "POST /enclosures/{key}/return": WORKERS,
    "GET /animals": SIGNED_IN,
    "POST /animals": WORKERS,
    "GET /animals/{name}": SIGNED_IN,
    "POST /animals/{name}/notes": WORKERS,
    "POST /animals/{name}/moves": WORKERS,
    "POST /animals/{name}/housings/{number}": WORKERS,
    "POST /animals/{name}/look-back-days": WORKERS,
    "GET /journal": SIGNED_IN,
    "POST /journal": WORKERS,
    "POST /journal/{number}": WORKERS,
    "GET /clutches": SIGNED_IN,
    "POST /clutches": WORKERS,
    "GET /clutches/{name}": SIGNED_IN,
    "POST /clutches/{name}/moves": WORKERS,
    "POST /clutches/{name}/correct": WORKERS,
    "POST /clutches/{name}/outcome": WORKERS,
    "GET /look-back": SIGNED_IN,
    "GET /look-back/report.{form}": SIGNED_IN,
    "GET /compare": SIGNED_IN,
    "GET /search": SIGNED_IN,
    "GET /labels": SIGNED_IN,
    "GET /labels/{number}.svg": SIGNED_IN,
    "GET /d/{key}": SIGNED_IN,
    "POST /enclosures/{key}/notes": WORKERS,
    "GET /set-up": SIGNED_IN,
    "POST /set-up/site": WORKERS,
    "POST /set-up/rooms": WORKERS,
    "POST /set-up/rooms/{key}/remove": WORKERS,
    "GET /set-up/enclosure": SIGNED_IN,
    "POST /set-up/enclosure": WORKERS,
    "GET /set-up/enclosures/{key}": SIGNED_IN,
    "POST /set-up/enclosures/{key}": WORKERS,
    "POST /set-up/enclosures/{key}/remove": WORKERS,
    "POST /set-up/enclosures/{key}/overrides": WORKERS,
    "POST /set-up/enclosures/{key}/overrides/{check}/end": WORKERS,
    "GET /set-up/room.toml": OWNER,
    "GET /api/v1/tokens": OWNER,
    "POST /api/v1/tokens": OWNER,
    "POST /api/v1/tokens/{number}/revoke": OWNER,
    "GET /people/keys": OWNER,
    "POST /people/keys": OWNER,
    "POST /people/keys/{number}/revoke": OWNER,
    "GET /wall": SIGNED_IN,
    "GET /fragments/wall": SIGNED_IN,
    "GET /wall/{key}": EVERYONE,
    "GET /api/v1/care": SIGNED_IN,
    "POST /api/v1/care/tasks": WORKERS,
    "POST /api/v1/care/tasks/{task}/done": WORKERS,
    "POST /api/v1/care/tasks/{task}/retire": WORKERS,
    "POST /api/v1/care/equipment": WORKERS,
    "POST /api/v1/care/equipment/take-away": WORKERS,
    "POST /api/v1/care/uv": WORKERS,
    "GET /care": SIGNED_IN,
    "POST /care/tasks": WORKERS,
    "POST /care/tasks/{number}/done": WORKERS,
    "POST /care/tasks/{number}/retire": WORKERS,
    "POST /care/uv": WORKERS,
    "POST /care/equipment": WORKERS,
    "POST /care/equipment/take-away": WORKERS,
    "GET /profiles": SIGNED_IN,
    "GET /profiles/{key}": SIGNED_IN,
    "GET /new-profile": SIGNED_IN,
    "POST /new-profile": WORKERS,
    "GET /profiles/{key}/edit": SIGNED_IN,
    "POST /profiles/{key}/edit": WORKERS,
    "POST /fragments/profile-day": WORKERS,
    "GET /profiles/{key}/trial/{number}": SIGNED_IN,
    "POST /profiles/{key}/trial/{number}/save": WORKERS,
    "GET /api/v1/profiles": SIGNED_IN,
    "GET /api/v1/profiles/{profile_id}": SIGNED_IN,
    "POST /api/v1/profiles": WORKERS,
    "POST /api/v1/profiles/{profile_id}/versions": WORKERS,
    "POST /api/v1/profiles/{profile_id}/trial": WORKERS,
    "GET /api/v1/profiles/{profile_id}/trial/{trial}": SIGNED_IN,
    "POST /degrees": SIGNED_IN,
    "GET /api/v1/search": SIGNED_IN,
    "GET /people": OWNER,
    "POST /people": OWNER,
    "POST /people/role": OWNER,
    "POST /people/password": OWNER,
    "POST /people/end": OWNER,
    "POST /people/sign-out": OWNER,
    "POST /people/invitations": OWNER,
    "POST /people/invitations/{number}/withdraw": OWNER,
    "GET /invitation": EVERYONE,
    "POST /invitation": EVERYONE,
    "GET /invitation/{secret}": EVERYONE,
    "GET /first-owner": OWNER,
    "POST /first-owner": OWNER,
    "GET /sign-in": EVERYONE,
    "POST /sign-in": EVERYONE,
    "POST /sign-out": EVERYONE,
    "GET /static/{digest}/{name:path}": EVERYONE,
}
"""Of people: n nobody, v viewer, k keeper, o owner."""
_NOT_FOR_KEYS: Final = {"GET /api/v1/tokens"}
KEYS: Final = {
    "wall": {"GET /wall", "GET /fragments/wall", "GET /api/v1/live"},
    "read": {route for route in ACCESS if route.startswith("GET /api/v1/")} - _NOT_FOR_KEYS,
    "readings:write": {"POST /api/v1/readings"},
    "metrics": {"GET /metrics"},
}
"""Of keys: what each scope opens, beside what is open to everyone."""
_WORDS: Final = {EVERYONE: "everyone", SIGNED_IN: "viewers", WORKERS: "keepers", OWNER: "owners"}
_HEAD: Final = """# Who may do what

Every address that Wardian answers, and whom it lets in. The tests ask each of them as nobody, viewer, keeper and owner,
with a wall's link and with a key of each scope, and compare this page with the code: what stands here is what happens.
How somebody becomes one of these stands in the
[operator's guide](operators-guide.md#reaching-the-pages-from-elsewhere).

- *everyone*: also who has not signed in. *viewers*: who signed in. *keepers*: keepers and owners. *owners*: they alone.
- A key opens what its row names, and what is open to everyone. A wall's link is a key of the scope `wall`.
- Who may not come in gets 401 (nobody signed in) or 403 (signed in, or a key, but not for this), before anything is
  looked at.
- An address that stands in no rule is closed to strangers and to keys, and its changes to viewers.
- A change (`POST`) that a browser sends is taken from Wardian's own pages alone, whoever sends it.

| | address | people | keys |
|---|---|---|---|
"""


def document() -> str:
    """Return the table as a document."""
    rows = [
        f"| {method} | `{address}` | {_WORDS[who]} | {_keys(method, address)} |"
        for (address, method), who in sorted((tuple(reversed(route.split(" "))), who) for route, who in ACCESS.items())
    ]
    return _HEAD + "\n".join(rows) + "\n"


def _keys(method: str, address: str) -> str:
    opened = [f"`{scope}`" for scope, routes in KEYS.items() if f"{method} {address}" in routes]
    return ", ".join(opened)


if __name__ == "__main__":
    print(document(), end="")  # noqa: T201 - this is what it is run for
