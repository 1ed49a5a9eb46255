from django.core.management.base import BaseCommand

from maintenance.kernels import are_compiled, load_kernels


class Command(BaseCommand):
    help = "Compile the loops of the physics and of the job reader; otherwise the first to need them waits."
    requires_system_checks = []

    def handle(self, *args: object, **options: object) -> None:
        if not are_compiled():
            self.stdout.write("Compiling the numeric code (once per version, up to a minute) ...")
            self.stdout.flush()
            load_kernels()
