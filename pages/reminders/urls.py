from django.urls import path

from pages.reminders import notifications, views

urlpatterns = [
    path("reminders/snooze/", views.reminders_snooze, name="reminders-snooze"),
    path("reminders/", views.reminders, name="reminders"),
    path("reminders/ended/", views.reminders_ended, name="reminders-ended"),
    path("reminders/<int:pk>/", views.reminder, name="reminder"),
    path("reminders/notifications/", notifications.notifications, name="notifications"),
    path("reminders/notifications/kinds/", notifications.kinds, name="notifications-kinds"),
    path("reminders/notifications/email/", notifications.add_email, name="notifications-email"),
    path("reminders/notifications/webhook/", notifications.add_webhook, name="notifications-webhook"),
    path("reminders/notifications/push/", notifications.add_push, name="notifications-push"),
    path("reminders/notifications/calendar/", notifications.add_calendar, name="notifications-calendar"),
    path("reminders/notifications/<int:pk>/test/", notifications.channel_test, name="channel-test"),
    path("reminders/notifications/<int:pk>/secret/", notifications.channel_secret, name="channel-secret"),
    path("reminders/notifications/<int:pk>/events/", notifications.channel_events, name="channel-events"),
    path("reminders/notifications/<int:pk>/again/", notifications.channel_again, name="channel-again"),
    path("reminders/notifications/<int:pk>/end/", notifications.channel_end, name="channel-end"),
    path(
        "reminders/notifications/confirm/<str:token>/", notifications.channel_confirm, name="channel-confirm"
    ),
    path("reminders/notifications/messages/<uuid:pk>/", notifications.message_retry, name="message-retry"),
    path("calendar/<slug:token>.ics", notifications.calendar_feed, name="calendar-feed"),
    path("reminders/<int:pk>/snooze/", views.reminder_snooze, name="reminder-snooze"),
    path("reminders/<int:pk>/complete/", views.reminder_complete, name="reminder-complete"),
]
