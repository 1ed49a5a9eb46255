"""The words of the pages, and the links to them."""

from django.template import Context, Template
from django.urls import reverse

from pages.frame.words import TERMS


def test_each_word_is_listed_once(desk):
    page = desk.get(reverse("words"))
    content = page.content.decode()
    assert [content.count(f'id="{key}"') for key in TERMS] == [1] * len(TERMS)
    names = [str(term.name) for _, term in page.context["terms"]]
    assert len(set(names)) == len(names)


def test_a_term_is_linked_where_it_stands_first(rf):
    template = Template('{% term "print_limit" %} {% term "print_limit" %} {% term "rh" "RH" %}')
    written = template.render(Context({"request": rf.get("/")}))
    assert written.count(f'href="{reverse("words")}#print_limit"') == 1
    assert written.count("<a ") == 2 and ">RH</a>" in written
