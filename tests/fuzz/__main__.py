"""Feeds the parsers of outside bytes with what they did not expect: python -m tests.fuzz --help.

Real bytes with changes, and bytes of each parser's kind whose fields lie (a container's sizes, flags, names, counts). Only
declared refusals may come out, within bounds of time and memory. It ends with 1 when something else did, and stores the
input in the working folder.
"""

import argparse
import hashlib
import logging
import os
import sys
import time
from pathlib import Path
from tempfile import TemporaryDirectory


def main() -> int:
    parser = argparse.ArgumentParser(prog="python -m tests.fuzz", description=__doc__)
    parser.add_argument(
        "--cases", type=int, default=100_000, help="of each parser; a tenth where one costs more"
    )
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--only", default="", help="parsers whose name begins so")
    options = parser.parse_args()
    # In memory: each job is a file.
    with TemporaryDirectory(prefix="loadworthy-", dir="/dev/shm") as folder:
        os.environ |= {
            "LOADWORTHY_DATA": folder,
            "DATABASE_URL": f"sqlite:///{folder}/shop.sqlite3",
            "ALLOWED_HOSTS": "testserver",
            "DJANGO_SETTINGS_MODULE": "config.settings",
        }
        import django

        django.setup()
        return feed_all(options, Path(folder))


def feed_all(options: argparse.Namespace, folder: Path) -> int:
    from django.conf import settings
    from django.core.management import call_command

    from maintenance.kernels import load_kernels
    from spools.catalogue.importing import load_materials

    from .doors import doors
    from .parsers import parsers
    from .run import feed_many

    found = parsers(folder)
    if "door".startswith(options.only[:4]):
        logging.disable(logging.WARNING)  # each refusal
        settings.PASSWORD_HASHERS = ["django.contrib.auth.hashers.MD5PasswordHasher"]
        settings.STORAGES["staticfiles"]["BACKEND"] = "django.contrib.staticfiles.storage.StaticFilesStorage"
        call_command("migrate", verbosity=0)
        load_materials()
        load_kernels()  # compiling is no part of an answer
        found += doors()
    defects = 0
    for parser in found:
        if not parser.name.startswith(options.only):
            continue
        began = time.process_time()
        cases = options.cases if parser.cheap else options.cases // 10
        outcome = feed_many(parser, cases, options.seed, bounds=True)
        print(
            f"{parser.name}: {cases} in {time.process_time() - began:.0f} s, longest {outcome.longest_s:.2f} s"
        )
        for came, count in outcome.counts.most_common():
            print(f"  {count:8} {came}")
        for where, (data, trace) in outcome.defects.items():
            defects += 1
            stored = Path(f"fuzz-{hashlib.sha256(data).hexdigest()[:8]}")
            stored.write_bytes(data)
            print(f"{where}, stored as {stored}\n{trace}")
        sys.stdout.flush()
    return 1 if defects else 0


if __name__ == "__main__":
    sys.exit(main())
