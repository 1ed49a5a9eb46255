from django.apps import AppConfig


class BackgroundConfig(AppConfig):
    name = "background"
