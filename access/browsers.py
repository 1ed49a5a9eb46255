"""A browser in words, by the name that it gives itself: people recognise their sessions by it, nothing rests on it."""

import re

from django.utils.translation import gettext as _

# The first that is in the name counts: most claim to be several others, too.
BROWSERS = {
    "Firefox/": "Firefox",
    "FxiOS/": "Firefox",
    "Chrome/": "Chromium",
    "CriOS/": "Chromium",
    "Safari/": "Safari",
}
SYSTEMS = {
    "Android": "Android",
    "iPhone": "iPhone",
    "iPad": "iPad",
    "Windows": "Windows",
    "Macintosh": "macOS",
    "CrOS": "ChromeOS",
    "Linux": "Linux",
}


def describe_browser(agent: str) -> str:
    """Such as "Chromium on Linux"; of a program its own name without version, at most 40 characters."""
    browser = next((name for mark, name in BROWSERS.items() if mark in agent), None)
    system = next((name for mark, name in SYSTEMS.items() if mark in agent), None)
    if browser is None:
        return re.split(r"[/(]", agent, maxsplit=1)[0].strip()[:40] or _("Unknown browser")
    return _("{browser} on {system}").format(browser=browser, system=system) if system else browser
