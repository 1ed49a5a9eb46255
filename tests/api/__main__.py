"""Sends any request that the schema describes, or forbids, to the service: python -m tests.api --help.

A small shop on a database of its own. Schemathesis writes the requests: examples, the limits of the schema (coverage),
valid and invalid values (fuzzing), and sequences in which answers feed later requests (stateful), all with a token that
may do everything; then some by nobody and with a token of each scope and role. It ends with 1 when an answer breaks a
promise, and shows the request.
"""

import argparse
import logging
import os
import sys
import time
from collections import Counter
from tempfile import TemporaryDirectory
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from .any_request import Run

MOST_SHOWN = 2
PHASES = ("examples", "coverage", "fuzzing", "stateful")


def main() -> int:
    parser = argparse.ArgumentParser(prog="python -m tests.api", description=__doc__)
    parser.add_argument("--cases", type=int, default=10_000, help="fuzzed requests; the others come on top")
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--only", default="", help="one token alone, such as nobody, all or read")
    parser.add_argument("--phases", nargs="*", choices=PHASES, default=PHASES)
    parser.add_argument("--database", default="", help="address of an empty one; SQLite without")
    options = parser.parse_args()
    with TemporaryDirectory(prefix="loadworthy-") as folder:
        os.environ |= {
            "LOADWORTHY_DATA": folder,
            "DATABASE_URL": options.database or f"sqlite:///{folder}/shop.sqlite3",
            "ALLOWED_HOSTS": "testserver,localhost",
            "DJANGO_SETTINGS_MODULE": "config.settings",
        }
        import django

        django.setup()
        logging.disable(logging.WARNING)  # each refusal
        return send_all(options)


def send_all(options: argparse.Namespace) -> int:
    from django.conf import settings
    from django.core.management import call_command
    from rest_framework.test import APIClient

    from access.models import User
    from access.tokens import add_token, look_up_token
    from spools.catalogue.importing import load_materials

    from .any_request import Run, use_shop
    from .conftest import Caller, add_account, build_shop

    settings.PASSWORD_HASHERS = ["django.contrib.auth.hashers.MD5PasswordHasher"]
    settings.DATABASES["default"].get("OPTIONS", {})["init_command"] = "PRAGMA synchronous=OFF"
    call_command("migrate", verbosity=0)
    load_materials()
    account = add_account()
    keys = {"nobody": "", "all": add_token(account, "all", "all")[1]}
    api = Caller(APIClient(HTTP_AUTHORIZATION=f"Token {keys['all']}"))
    shop = use_shop(api, build_shop(api))
    for scope in ("read", "weighings", "jobs"):
        keys[scope] = add_token(account, scope, scope)[1]
    keys["readings"] = add_token(account, "readings", "readings", place=shop.shelf)[1]
    for role in ("view", "work"):
        keys[f"role {role}"] = add_token(User.objects.create_user(role, role=role), role, "all")[1]

    failed: Counter[str] = Counter()
    for name, key in keys.items():
        if options.only not in ("", name):
            continue
        # Refusals are soon told: two requests of each operation show them.
        chosen, cases = (options.phases, options.cases) if name == "all" else (["fuzzing"], 0)
        run = Run(look_up_token(key) if key else None, key, shop)
        began = time.process_time()
        for failure in run.failures(chosen, cases, options.seed):
            reason = failure.partition("\n")[0]
            failed[reason] += 1
            if failed[reason] <= MOST_SHOWN:
                print(failure, flush=True)
        print(f"{name}: {describe(run)}{time.process_time() - began:.0f} s of the processor", flush=True)
    for reason, count in failed.most_common():
        print(f"{count} x {reason}")
    print(f"{failed.total()} broken promises")
    return 1 if failed else 0


def describe(run: "Run") -> str:
    """Requests by phase, operation and status, and checks, a line each."""
    rows = [f"{run.sent.total()} requests"]
    by_phase = Counter[str]()
    for (phase, _), count in run.sent.items():
        by_phase[phase] += count
    rows += [f"  {phase} {count}" for phase, count in by_phase.items()]
    rows += [f"  {check} {count}" for check, count in sorted(run.checked.items())]
    for label in sorted({label for label, _ in run.answers}):
        statuses = sorted((status, count) for (found, status), count in run.answers.items() if found == label)
        rows.append(f"  {label}: " + ", ".join(f"{count} x {status}" for status, count in statuses))
    rows.append(f"  slowest: {run.slowest[0]:.1f} s, {run.slowest[1]}")
    return "\n".join([*rows, ""])


if __name__ == "__main__":
    sys.exit(main())
