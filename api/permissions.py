"""The one permission of all endpoints: the role of the account (access/rules.py) and the scope of its token."""

from django.utils.translation import gettext as _
from rest_framework.exceptions import PermissionDenied
from rest_framework.permissions import BasePermission
from rest_framework.request import Request

from access.models import Token
from access.rules import explain, required_role
from access.second_factor import must_add_factor
from access.tokens import allows


class RolePermission(BasePermission):
    def has_permission(self, request: Request, view: object) -> bool:
        if not request.user.is_authenticated:
            return False
        match, method = request.resolver_match, request.method or ""
        role = required_role(match.view_name, method)
        if not request.user.has_role(role):
            raise PermissionDenied(explain(role), code="role_needed")
        token = request.auth
        if request.user.must_change_password and not isinstance(token, Token):
            raise PermissionDenied(_("Change your password on the pages first."), code="must_change_password")
        if not isinstance(token, Token) and must_add_factor(request.user):
            raise PermissionDenied(_("Add a second factor on the pages first."), code="must_add_factor")
        if isinstance(token, Token) and not allows(token, match.view_name, method, match.kwargs):
            scope = token.get_scope_display()
            raise PermissionDenied(
                _("This token may only {scope}. Make another one for this.").format(scope=scope),
                code="scope_needed",
            )
        return True
