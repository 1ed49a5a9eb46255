from django.apps import AppConfig


class PagesConfig(AppConfig):
    name = "pages"

    def ready(self) -> None:
        from pages.frame.undo import watch_acts

        watch_acts()
