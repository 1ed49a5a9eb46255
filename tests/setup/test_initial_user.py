import re

import pytest
from django.contrib.auth import authenticate, get_user_model

from background.initial_user import create_initial_user, readable_password


@pytest.mark.django_db
def test_the_first_account_is_made_once_and_its_password_signs_in():
    password = create_initial_user("owner")
    user = authenticate(username="owner", password=password)
    assert user is not None
    assert user.is_superuser
    assert create_initial_user("demo") is None
    assert get_user_model().objects.count() == 1


def test_passwords_are_readable_and_differ():
    passwords = {readable_password() for _ in range(100)}
    assert len(passwords) == 100
    assert all(re.fullmatch("([a-z]{4}-){3}[a-z]{4}", password) for password in passwords)
