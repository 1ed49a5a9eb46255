from django.conf import settings
from django.core.management.base import BaseCommand

from maintenance.files.guide import insert_guide


class Command(BaseCommand):
    help = "Write the columns of files into docs/neighbours/files.md."

    def handle(self, *args: object, **options: object) -> None:
        page = settings.BASE_DIR / "docs" / "neighbours" / "files.md"
        page.write_text(insert_guide(page.read_text()))
