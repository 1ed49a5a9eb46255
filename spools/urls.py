from django.urls import path

from .pages import boxes, materials, places

urlpatterns = [
    path("places/", places.places, name="places"),
    path("places/new/", places.place_new, name="place-new"),
    path("places/<int:pk>/", places.place, name="place"),
    path("places/<int:pk>/edit/", places.place_edit, name="place-edit"),
    path("places/<int:pk>/readings/", places.place_readings, name="place-readings"),
    path("places/<int:pk>/desiccant/", boxes.place_desiccant, name="place-desiccant"),
    path("charges/<int:pk>/take-back/", boxes.charge_take_back, name="charge-take-back"),
    path("materials/", materials.materials, name="materials"),
    path("materials/<int:pk>/", materials.material, name="material"),
    path("feedstocks/new/", materials.feedstock_new, name="feedstock-new"),
    path("feedstocks/<int:pk>/", materials.feedstock, name="feedstock"),
    path("feedstocks/<int:pk>/coupon/", materials.coupon_test, name="coupon-test"),
    path("coupons/<int:pk>/take-back/", materials.coupon_take_back, name="coupon-take-back"),
    path("feedstocks/<int:pk>/edit/", materials.feedstock_edit, name="feedstock-edit"),
]
