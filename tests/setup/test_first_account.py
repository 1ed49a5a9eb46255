import re

import pytest
from django.contrib.auth import authenticate, get_user_model

from background.first_account import create_first_account, readable_password


@pytest.mark.django_db
def test_the_first_account_is_made_once_and_its_password_signs_in():
    password = create_first_account("owner")
    user = authenticate(username="owner", password=password)
    assert user is not None
    assert user.is_superuser
    assert create_first_account("demo") is None
    assert get_user_model().objects.count() == 1


def test_passwords_are_readable_and_differ():
    passwords = {readable_password() for _ in range(100)}
    assert len(passwords) == 100
    assert all(re.fullmatch("([a-z]{4}-){3}[a-z]{4}", password) for password in passwords)
