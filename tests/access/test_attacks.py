"""Old tricks against pages: forms of other sites, redirects elsewhere, text that is taken for code."""

import pytest
from django.contrib.auth import get_user_model
from django.test import Client

from access.tokens import add_token
from tests.access.test_matrix import EVERY, path_of

TRICKS = [
    "https://elsewhere.example/",
    "//elsewhere.example",
    "/\\elsewhere.example",
    "javascript:alert(1)",
    "\thttps:x",
]
SCRIPT = "<script>alert('x')</script>\""


def test_no_address_takes_a_form_of_another_site(people):
    victim = Client(enforce_csrf_checks=True, raise_request_exception=False)
    victim.force_login(people["superuser"])
    asked = [address for address in EVERY if not address.name.startswith("admin:")]
    posts = [
        a
        for a in asked
        if (a.actions is None or "post" in a.actions) and a.name not in ("v1:token", "api-nothing")
    ]
    wrong = {}
    for address in posts:
        answer = victim.post(path_of(address.pattern), {}, headers={"origin": "https://elsewhere.example"})
        if answer.status_code not in (403, 405):
            wrong[address.name] = answer.status_code
    assert len(posts) > 200 and wrong == {}


@pytest.mark.django_db
@pytest.mark.parametrize("trick", TRICKS)
def test_signing_in_leads_to_no_other_site(trick):
    get_user_model().objects.create_user("ada", password="winding-and-core")
    form = {"username": "ada", "password": "winding-and-core", "next": trick}
    assert Client().post("/sign-in/", form).headers["Location"] == "/"


def test_text_is_no_code_on_a_page_or_in_a_query(clients, people):
    add_token(people["set_up"], SCRIPT, "read")
    page = clients["set_up"].get("/accounts/tokens/").content.decode()
    assert "<script>alert" not in page and "&lt;script&gt;alert(&#x27;x&#x27;)&lt;/script&gt;&quot;" in page
    for text in (SCRIPT, "' OR 1=1 --", "%' UNION SELECT password FROM access_user --"):
        answer = clients["set_up"].get("/spools/", {"q": text})
        assert answer.status_code == 200 and SCRIPT not in answer.content.decode()
