from django.db import DatabaseError, connection
from django.http import HttpRequest, HttpResponse


def healthz(request: HttpRequest) -> HttpResponse:
    """200 while the pages and their database answer, else 503; for supervisors, needs no account."""
    try:
        with connection.cursor() as cursor:
            cursor.execute("SELECT 1")
    except DatabaseError:
        return HttpResponse("The database does not answer.\n", content_type="text/plain", status=503)
    return HttpResponse("ok\n", content_type="text/plain")
