from django.urls import path

from maintenance.files.kinds import KINDS
from pages.files import views

urlpatterns = [
    path("files/", views.files, name="files"),
    *(path(f"files/{kind}/", views.read_file, {"kind": kind}, name=f"file-{kind}") for kind in KINDS),
]
