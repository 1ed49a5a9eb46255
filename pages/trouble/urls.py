from django.urls import path

from pages.trouble import views

urlpatterns = [
    path("trouble/", views.troubles, name="troubles"),
    path("trouble/new/", views.trouble_new, name="trouble-new"),
    path("trouble/<int:pk>/", views.trouble, name="trouble"),
    path("trouble/<int:pk>/outcome/", views.trouble_outcome, name="trouble-outcome"),
]
