"""Links from a word on a page to its meaning; built in, so no template loads it.

{% term "print_limit" %} writes the name of the term, {% term "print_limit" _("limit") %} another text of it. In a sentence:
{% term "print_limit" as limit %}{% blocktranslate %}It is above the {{ limit }}.{% endblocktranslate %}
"""

from django import template
from django.urls import reverse
from django.utils.html import format_html

from pages.frame.words import TERMS

register = template.Library()


@register.simple_tag(takes_context=True)
def term(context: template.Context, key: str, text: str = "") -> str:
    """A link to the meaning of a term where it stands on a page first, else its text. KeyError: no such term."""
    name, meaning, _source = TERMS[key]
    linked = (
        context.get("request").__dict__.setdefault("linked_terms", set()) if "request" in context else set()
    )
    if key in linked:
        return text or str(name)
    linked.add(key)
    return format_html(
        '<a class="term" href="{}#{}" title="{}">{}</a>', reverse("words"), key, meaning, text or name
    )
