from django.apps import AppConfig
from django.utils.module_loading import autodiscover_modules


class BackgroundConfig(AppConfig):
    name = "background"

    def ready(self) -> None:
        # Every app may have a tasks.py that registers its work; this app knows none of them by name.
        autodiscover_modules("tasks")
