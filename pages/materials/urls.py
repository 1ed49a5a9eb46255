from django.urls import path

from pages.materials import views

urlpatterns = [
    path("materials/", views.materials, name="materials"),
    path("materials/<int:pk>/", views.material, name="material"),
    path("feedstocks/new/", views.feedstock_new, name="feedstock-new"),
    path("feedstocks/<int:pk>/", views.feedstock, name="feedstock"),
    path("feedstocks/<int:pk>/coupon/", views.coupon_test, name="coupon-test"),
    path("feedstocks/<int:pk>/edit/", views.feedstock_edit, name="feedstock-edit"),
    path("feedstocks/<int:pk>/retire/", views.feedstock_retire, name="feedstock-retire"),
    path("feedstocks/<int:pk>/bring-back/", views.feedstock_bring_back, name="feedstock-bring-back"),
]
