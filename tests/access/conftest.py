import pytest
from django.contrib.auth import get_user_model
from django.test import Client


@pytest.fixture
def people(db):
    """One account of each role, and a superuser."""
    create = get_user_model().objects.create_user
    made = {role: create(role, role=role) for role in ("view", "work", "set_up")}
    return made | {"superuser": get_user_model().objects.create_superuser("superuser")}


@pytest.fixture
def clients(people):
    """A signed-in browser of each, and of nobody."""
    found = {"anonymous": Client()}
    for role, user in people.items():
        found[role] = Client(raise_request_exception=False)
        found[role].force_login(user)
    return found
