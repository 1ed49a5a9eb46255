from django.urls import path

from pages.costs import views

urlpatterns = [
    path("usage/", views.usage, name="usage"),
    path("usage/rates/", views.rates, name="rates"),
]
