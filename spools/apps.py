from django.apps import AppConfig


class SpoolsConfig(AppConfig):
    name = "spools"
