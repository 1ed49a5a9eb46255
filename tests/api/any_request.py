"""Requests that Schemathesis writes from the schema, aimed at a small shop, and what came of them."""

from collections import Counter
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field
from types import SimpleNamespace
from typing import Any

import schemathesis
from django.core.wsgi import get_wsgi_application
from django.urls import Resolver404, resolve
from schemathesis.config import SchemathesisConfig
from schemathesis.core.parameters import ParameterLocation
from schemathesis.core.transport import Response
from schemathesis.engine import events, from_schema
from schemathesis.generation import GenerationMode
from schemathesis.specs.openapi.schemas import OpenApiSchema

from access.models import Token
from access.rules import ANYBODY, required_role
from access.tokens import allows

from .conftest import Caller, ago, receive_spool

PHASES = ("examples", "coverage", "fuzzing", "stateful")
SCHEMA = "/api/schema/?format=json"
# Beside the role and scope of the token. Valid requests may be refused: rules of the trade are in no schema. That each
# address asks for a token is shown by the requests of nobody.
CHECKS: dict[str, Any] = {
    "not_a_server_error": {},
    "status_code_conformance": {},
    "content_type_conformance": {},
    "response_headers_conformance": {},
    "response_schema_conformance": {},
    "negative_data_rejection": {
        "expected-statuses": [400, 401, 403, 404, 405, 406, 409, 412, 413, 415, 422, 429, 503]
    },
    "missing_required_header": {},
    "unsupported_method": {},
}
# Answers that let nobody in: without a token, without the role or the scope, no such address or format.
CLOSED = (401, 403, 404, 405, 406)
# Ids in a shop made for the test, put where random ones would only ever be unknown.
NAMES_OF_IDS = {
    "place": "shelf",
    "room": "shelf",
    "dryer": "dryer",
    "feedstock": "nylon",
    "toolhead": "toolhead",
    "printer": "printer",
    "kind": "brass",
    "unload_to": "shelf",
}
# Hours ago that follow one another and what was done to the shop before.
TIMES = {"start": 9, "end": 8, "at": 7, "until": -24}


def load_schema(config: dict[str, Any] | None = None) -> OpenApiSchema:
    """The schema that the service shows, whose requests go to it within this process."""
    checks = {"enabled": False} | {name: {"enabled": True} | more for name, more in CHECKS.items()}
    settings = SchemathesisConfig.from_dict({"checks": checks} | (config or {}))
    return schemathesis.openapi.from_wsgi(SCHEMA, get_wsgi_application(), config=settings)


def use_shop(api: Caller, shop: SimpleNamespace) -> SimpleNamespace:
    """Puts spools, stock and a fitted part into a shop of build_shop."""
    shop.code, shop.spare = receive_spool(api, shop, feedstock=shop.nylon_carbon), receive_spool(api, shop)
    api.post("stock", kind=shop.brass, count=3, at=ago(days=3))
    fitting = api.post("fittings", toolhead=shop.toolhead, kind=shop.brass, at=ago(days=2))
    shop.fitting, shop.part = fitting["id"], fitting["part"]
    return shop


def aim(case: schemathesis.Case, shop: SimpleNamespace) -> None:
    """Points a request at rows that exist where it names some; every second one gets likely values.

    What is wrong on purpose stays as it is.
    """
    resource = case.path.split("/")[3]
    ids = {
        "places": shop.shelf,
        "feedstocks": shop.nylon,
        "printers": shop.printer,
        "toolheads": shop.toolhead,
        "part-kinds": shop.brass,
        "parts": shop.part,
        "fittings": shop.fitting,
        "polymers": shop.polyamide,
    }
    if _is_valid(case, ParameterLocation.PATH):
        for name in case.path_parameters or {}:
            if name == "code":
                case.path_parameters[name] = shop.spare if case.path.endswith("empty/") else shop.code
            elif resource in ids:
                case.path_parameters[name] = ids[resource]
    likely = len(repr(case.body)) % 2 == 0
    is_json = case.media_type == "application/json" and isinstance(case.body, dict | list)
    if is_json and _is_valid(case, ParameterLocation.BODY):
        case.body = _aim_values(case.body, shop, likely)
    if case.query and _is_valid(case, ParameterLocation.QUERY):
        case.query = _aim_values(case.query, shop, likely)


def _is_valid(case: schemathesis.Case, part: ParameterLocation) -> bool:
    found = case.meta.components.get(part) if case.meta else None
    return found is None or found.mode == GenerationMode.POSITIVE


def _aim_values(value: Any, shop: SimpleNamespace, likely: bool, name: str = "") -> Any:
    if isinstance(value, dict):
        return {key: _aim_values(inner, shop, likely, key) for key, inner in value.items()}
    if isinstance(value, list):
        return [_aim_values(inner, shop, likely, name) for inner in value]
    if name == "spool" and isinstance(value, str):
        return shop.code
    if isinstance(value, bool) or not isinstance(value, int | float | str):
        return value
    if name in NAMES_OF_IDS and not isinstance(value, str):
        return getattr(shop, NAMES_OF_IDS[name])
    if likely and name in TIMES:
        return ago(hours=TIMES[name])
    if likely and isinstance(value, int | float):
        return 1 + abs(value) % 150
    return value


@dataclass
class Run:
    """Requests with one token (None: without one). phases: of the engine, as its configuration names them."""

    token: Token | None
    key: str
    shop: SimpleNamespace
    # By phase and operation, operation and status, check.
    sent: Counter[tuple[str, str]] = field(default_factory=Counter)
    answers: Counter[tuple[str, int]] = field(default_factory=Counter)
    checked: Counter[str] = field(default_factory=Counter)
    slowest: tuple[float, str] = (0.0, "")

    def failures(self, phases: Sequence[str], cases: int, seed: int) -> Iterator[str]:
        """Sends requests; a text for each answer that breaks a promise. cases: of fuzzing; sequences are
        a thirtieth of them."""
        operations = load_schema().statistic.operations.total
        config: dict[str, Any] = {
            "headers": {"Authorization": f"Token {self.key}"} if self.key else {},
            "seed": seed,
            "workers": 1,
            "continue-on-failure": True,
            "suppress-health-check": ["all"],
            "generation": {
                "max-examples": max(2, -(-cases // operations)),
                "mode": "all",
                "database": "none",
                "no-shrink": True,
            },
            "phases": {name: {"enabled": name in phases} for name in PHASES},
        }
        config["phases"]["stateful"]["generation"] = {"max-examples": 1 + cases // 30}
        schema = load_schema(config)

        def before_call(context: Any, case: schemathesis.Case, kwargs: dict[str, Any]) -> None:
            aim(case, self.shop)
            # Settings of a connection, which a call inside the process has not.
            for name in ("max_redirects", "verify", "cert"):
                kwargs.pop(name, None)

        def after_call(context: Any, case: schemathesis.Case, response: Response) -> None:
            if case.method == "DELETE" and self.token:
                self.token.save()

        hooks = (before_call, after_call)
        for hook in hooks:
            schemathesis.hook(hook)
        for event in from_schema(schema).execute():
            if isinstance(event, events.ScenarioFinished):
                yield from self._count(event)
            elif isinstance(event, events.NonFatalError):
                yield f"{event.label}: {event.value!r}"
            elif isinstance(event, events.FatalError):
                raise event.exception
        for hook in hooks:
            schemathesis.hooks.unregister(hook)

    def _count(self, event: events.ScenarioFinished) -> Iterator[str]:
        for key, interaction in event.recorder.interactions.items():
            label = event.recorder.cases[key].value.operation.label
            self.sent[event.phase.value, label] += 1
            if response := interaction.response:
                self.answers[label, response.status_code] += 1
                self.slowest = max(self.slowest, (response.elapsed, label))
                if broken := self._breaks_scope(event.recorder.cases[key].value, response):
                    yield f"role_and_scope, {label}\n  {broken}"
        for nodes in event.recorder.checks.values():
            for check in nodes:
                self.checked[check.name] += 1
                if found := check.failure_info:
                    yield f"{check.name}, {event.label}: {found.failure.title}\n  {found.failure.message}\n  {found.code_sample}"

    def _breaks_scope(self, case: schemathesis.Case, response: Response) -> str:
        """Whether a request was let in that the token does not include, or refused though it does."""
        method, url = response.request.method or "", response.request.url or ""
        if self.key not in response.request.headers.get("Authorization", ""):
            return ""
        try:
            match = resolve("/" + url.split("://")[-1].partition("/")[2].partition("?")[0])
        except Resolver404:
            return ""
        role = required_role(match.view_name, method)
        if role == ANYBODY:
            return ""
        self.checked["role_and_scope"] += 1
        token = self.token
        may = token and token.user.has_role(role) and allows(token, match.view_name, method, match.kwargs)
        status = response.status_code
        broken = status in (401, 403) if may else status not in CLOSED
        return f"{method} {url} was answered {status}" if broken else ""
