from django.urls import path

from pages.first_hour import views

urlpatterns = [
    path("first-hour/", views.first_hour, name="first-hour"),
    path("first-hour/<int:pk>/", views.first_verdict, name="first-verdict"),
]
