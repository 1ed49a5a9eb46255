"""The project's settings with the queue alone and work that counts; for the tests' worker processes."""

from config.settings import *  # noqa: F403
from config.settings import INSTALLED_APPS, MIDDLEWARE, TEMPLATES

INSTALLED_APPS = [
    *(app for app in INSTALLED_APPS if app not in {"spools", "maintenance", "pages", "api"}),
    "tests.background.counting",
]
MIDDLEWARE = [name for name in MIDDLEWARE if not name.startswith("pages.")]
TEMPLATES[0]["OPTIONS"].pop("builtins")
ROOT_URLCONF = "tests.background.urls"
