from django.urls import path

from pages.places import boxes, readings, salt_checks, sensors, topic_rules, views

urlpatterns = [
    path("places/", views.places, name="places"),
    path("places/new/", views.place_new, name="place-new"),
    path("places/<int:pk>/", views.place, name="place"),
    path("places/<int:pk>/edit/", views.place_edit, name="place-edit"),
    path("places/<int:pk>/retire/", views.place_retire, name="place-retire"),
    path("places/<int:pk>/bring-back/", views.place_bring_back, name="place-bring-back"),
    path("places/<int:pk>/readings/", readings.place_readings, name="place-readings"),
    path("places/<int:pk>/readings/withdraw/", readings.readings_withdraw, name="readings-withdraw"),
    path("places/<int:pk>/readings/<int:reading_pk>/", readings.reading_correct, name="reading-correct"),
    path("places/<int:pk>/desiccant/", boxes.place_desiccant, name="place-desiccant"),
    path("places/<int:pk>/salt-check/", salt_checks.place_salt_check, name="place-salt-check"),
    path("sensors/", sensors.sensors, name="sensors"),
    path("sensors/<int:pk>/", sensors.sensor, name="sensor"),
    path("sensors/<int:pk>/place/", sensors.sensor_place, name="sensor-place"),
    path("sensors/<int:pk>/held/", sensors.sensor_held, name="sensor-held"),
    path("sensors/topics/new/", topic_rules.topic_rule, name="topic-rule-new"),
    path("sensors/topics/<int:pk>/", topic_rules.topic_rule, name="topic-rule-edit"),
    path("sensors/topics/<int:pk>/retire/", topic_rules.topic_rule_retire, name="topic-rule-retire"),
    path(
        "sensors/topics/<int:pk>/bring-back/", topic_rules.topic_rule_bring_back, name="topic-rule-bring-back"
    ),
]
