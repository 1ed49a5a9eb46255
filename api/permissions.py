"""The one permission of all endpoints: the role of the account (access/rules.py)."""

from rest_framework.exceptions import PermissionDenied
from rest_framework.permissions import BasePermission
from rest_framework.request import Request

from access.rules import explain, required_role


class RolePermission(BasePermission):
    def has_permission(self, request: Request, view: object) -> bool:
        if not request.user.is_authenticated:
            return False
        role = required_role(request.resolver_match.view_name, request.method or "")
        if not request.user.has_role(role):
            raise PermissionDenied(explain(role), code="role_needed")
        return True
