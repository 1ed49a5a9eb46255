from django.urls import path

from pages.reminders import delivery, views

urlpatterns = [
    path("reminders/", views.reminders, name="reminders"),
    path("reminders/ended/", views.reminders_ended, name="reminders-ended"),
    path("reminders/<int:pk>/", views.reminder, name="reminder"),
    path("reminders/delivery/", delivery.delivery, name="delivery"),
    path("reminders/delivery/kinds/", delivery.delivery_kinds, name="delivery-kinds"),
    path("reminders/delivery/email/", delivery.delivery_email, name="delivery-email"),
    path("reminders/delivery/webhook/", delivery.delivery_webhook, name="delivery-webhook"),
    path("reminders/delivery/push/", delivery.delivery_push, name="delivery-push"),
    path("reminders/delivery/calendar/", delivery.delivery_calendar, name="delivery-calendar"),
    path("reminders/delivery/<int:pk>/test/", delivery.channel_test, name="channel-test"),
    path("reminders/delivery/<int:pk>/secret/", delivery.channel_secret, name="channel-secret"),
    path("reminders/delivery/<int:pk>/end/", delivery.channel_end, name="channel-end"),
    path("reminders/delivery/messages/<uuid:pk>/", delivery.message_again, name="message-again"),
    path("calendar/<slug:token>.ics", delivery.calendar_feed, name="calendar-feed"),
    path("push-worker.js", delivery.push_worker, name="push-worker"),
    path("reminders/<int:pk>/snooze/", views.reminder_snooze, name="reminder-snooze"),
    path("reminders/<int:pk>/done/", views.reminder_done, name="reminder-done"),
]
