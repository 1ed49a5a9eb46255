from django.conf import settings
from django.core.management.base import BaseCommand

from access.table import access_table


class Command(BaseCommand):
    help = "Write docs/access.md: each address with the role that it needs."

    def handle(self, *args: object, **options: object) -> None:
        (settings.BASE_DIR / "docs" / "access.md").write_text(access_table())
