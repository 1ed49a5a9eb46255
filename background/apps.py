from django.apps import AppConfig
from django.utils.module_loading import autodiscover_modules


class BackgroundConfig(AppConfig):
    name = "background"

    def ready(self) -> None:
        # Each app may have a tasks.py that registers its work; this app knows none of them by name.
        autodiscover_modules("tasks")
        from background.tasks import register_celery_tasks

        register_celery_tasks()
