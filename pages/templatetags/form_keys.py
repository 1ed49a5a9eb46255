"""Tags that every form may use; they are built in, so no template loads them."""

from uuid import uuid4

from django import template
from django.utils.html import format_html
from django.utils.safestring import SafeString

from pages.frame.sent_twice import FIELD

register = template.Library()


@register.simple_tag
def form_key() -> SafeString:
    """A hidden key, new in each form that is shown, so that the form is recorded once however often it is sent.

    A browser that fills in forms again would put an old key into a page that was loaded anew.
    """
    return format_html('<input type="hidden" name="{}" value="{}" autocomplete="off">', FIELD, uuid4())
