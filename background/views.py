from django.db import DatabaseError, connection
from django.http import HttpRequest, HttpResponse
from django.utils import timezone

from background.health import run_checks


def healthz(request: HttpRequest) -> HttpResponse:
    """200 while the pages and their database answer, else 503; for supervisors, needs no account."""
    try:
        with connection.cursor() as cursor:
            cursor.execute("SELECT 1")
    except DatabaseError:
        return HttpResponse("The database does not answer.\n", content_type="text/plain", status=503)
    return HttpResponse("ok\n", content_type="text/plain")


def readyz(request: HttpRequest) -> HttpResponse:
    """A line for each check; 503 when one of them found a problem; needs no account."""
    checks = run_checks(timezone.now())
    lines = "".join(f"{check.name}: {check.problem or 'ok'}\n" for check in checks)
    status = 200 if all(check.is_ok for check in checks) else 503
    return HttpResponse(lines, content_type="text/plain; charset=utf-8", status=status)
