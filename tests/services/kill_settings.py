"""The project's settings with work that counts; for the processes that are killed."""

from config.settings import *  # noqa: F403
from config.settings import INSTALLED_APPS

INSTALLED_APPS = [*INSTALLED_APPS, "tests.background.counting"]
PASSWORD_HASHERS = ["django.contrib.auth.hashers.MD5PasswordHasher"]
