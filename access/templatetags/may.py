"""A block of a page for accounts that may act at an address; it is built in, so no template loads it."""

from urllib.parse import urlsplit

from django import template
from django.template.base import FilterExpression, Node, NodeList, Parser, Token
from django.template.context import Context
from django.urls import resolve

from access.rules import is_allowed, required_role

register = template.Library()


class May(Node):
    child_nodelists = ("allowed", "otherwise")

    def __init__(self, address: FilterExpression | None, allowed: NodeList, otherwise: NodeList) -> None:
        self.address, self.allowed, self.otherwise = address, allowed, otherwise

    def render(self, context: Context) -> str:
        request = context["request"]
        name = self.address.resolve(context) if self.address else request.resolver_match.view_name
        if name.startswith("/"):
            name = resolve(urlsplit(name).path).view_name
        shown = self.allowed if is_allowed(request.user, required_role(name, "POST")) else self.otherwise
        return shown.render(context)


@register.tag
def may(parser: Parser, token: Token) -> May:
    """{% may 'spool-move' %}a link or a form{% else %}what others see{% endmay %}

    It takes the name of an address or an address; without either, the form is sent to the page's own address.
    """
    address = token.split_contents()[1:]
    allowed, otherwise = parser.parse(("else", "endmay")), NodeList()
    if parser.next_token().contents == "else":
        otherwise = parser.parse(("endmay",))
        parser.delete_first_token()
    return May(parser.compile_filter(address[0]) if address else None, allowed, otherwise)
