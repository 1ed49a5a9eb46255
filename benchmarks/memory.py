"""The memory and the start of an idle shop: python -m benchmarks.memory [--wait SECONDS].

Starts ./run with the demo shop in a data folder of its own on a free port of the loopback interface, signs in,
opens the main pages, waits, and sums the proportional set size (memory that processes share is divided among
them) of all processes, from /proc/PID/smaps_rollup.
"""

import argparse
import re
import tempfile
import time
import urllib.parse
import urllib.request
from collections.abc import Iterator
from http.cookiejar import CookieJar
from pathlib import Path

from tests.services.shop import log_of, processes, served, shop_env

PAGES = ("/", "/spools/", "/drying/", "/machines/", "/reminders/", "/status/")
KIB = 1024


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--wait", type=float, default=120.0, help="seconds between the start and the figures")
    arguments = parser.parse_args()
    with tempfile.TemporaryDirectory(prefix="loadworthy-") as folder:
        env = shop_env(Path(folder) / "data")
        began = time.monotonic()
        with served(env, ("./run", "--demo")) as (url, _):
            print(f"first start: {time.monotonic() - began:.1f} s")
            time.sleep(arguments.wait)
            report("idle", env)
            for address, seconds in visit(url, log_of(env).read_text()):
                print(f"{seconds:6.2f} s  {address}")
            time.sleep(5)
            report("after page views", env)


def report(moment: str, env: dict[str, str]) -> None:
    """Print the proportional set size of each process and their sum, in MiB."""
    sizes = {pid: proportional_set_size(pid) for pid in processes(env)}
    for pid, size in sorted(sizes.items()):
        print(f"{size / KIB:6.0f} MiB  {Path(f'/proc/{pid}/comm').read_text().strip()}")
    print(f"{sum(sizes.values()) / KIB:6.0f} MiB  all processes, {moment}")


def proportional_set_size(pid: int) -> int:
    """KiB."""
    text = Path(f"/proc/{pid}/smaps_rollup").read_text()
    [size] = re.findall(r"^Pss:\s+(\d+) kB", text, re.MULTILINE)
    return int(size)


def visit(url: str, log: str) -> Iterator[tuple[str, float]]:
    """Sign in, open the main pages and three spools; yields each address with its seconds."""
    browser = urllib.request.build_opener(urllib.request.HTTPCookieProcessor(CookieJar()))
    account = re.search(r"name (\S+), password (\S+)", log)
    assert account, log
    form = browser.open(f"{url}/sign-in/").read().decode()
    token = re.search(r'name="csrfmiddlewaretoken" value="([^"]+)"', form)
    assert token, form
    fields = {"username": account[1], "password": account[2], "csrfmiddlewaretoken": token[1]}
    browser.open(f"{url}/sign-in/", urllib.parse.urlencode(fields).encode())
    spools = re.findall(r'href="(/s/[^"/]+/?)"', browser.open(f"{url}/spools/").read().decode())
    for address in (*PAGES, *dict.fromkeys(spools[:3])):
        began = time.monotonic()
        browser.open(f"{url}{address}").read()
        yield address, time.monotonic() - began


if __name__ == "__main__":
    main()
