"""The addresses of all pages, one module a subject."""

from django.urls import include, path

SUBJECTS = [
    "costs",
    "drying",
    "files",
    "first_hour",
    "flow",
    "frame",
    "jobs",
    "labels",
    "machines",
    "materials",
    "places",
    "reminders",
    "spools",
    "trouble",
]

urlpatterns = [path("", include(f"pages.{subject}.urls")) for subject in SUBJECTS]
