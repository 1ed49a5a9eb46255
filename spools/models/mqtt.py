"""The broker of the sensors: which topics are read, how the connection is, and messages that could not be read."""

from django.db import models
from django.utils.translation import gettext_lazy as _

from .versions import Retirable


class TopicRule(Retirable):
    """Messages of these topics are measurements, or report that a sensor is there. See spools/air/mqtt/notation.py."""

    topic = models.CharField(max_length=200, help_text="With {sensor} and {quantity} as levels, or + and #.")
    sensor = models.CharField(max_length=100, blank=True, help_text="Where the topic has no {sensor}.")
    reads = models.CharField(max_length=300, help_text="Quantities and where they are in the payload.")
    is_fahrenheit = models.BooleanField(default=False, help_text="Temperatures come in °F.")

    class Meta:
        ordering = ["topic", "id"]
        constraints = [
            models.UniqueConstraint(
                fields=["topic", "reads"], condition=models.Q(retired_at=None), name="topic_rule_in_use_once"
            )
        ]

    def __str__(self) -> str:
        return self.topic


class BrokerState(models.Model):
    """The connection as the listener stores it: one row."""

    class Problem(models.TextChoices):
        UNKNOWN_HOST = "unknown_host", _("No machine has that name. Correct the host in MQTT_URL.")
        UNREACHABLE = (
            "unreachable",
            _("The broker does not answer. Start it, or correct host and port in MQTT_URL."),
        )
        CERTIFICATE = (
            "certificate",
            _(
                "The certificate of the broker is not trusted, or names another host. Give its authority in "
                "MQTT_CA_FILE, and the host in MQTT_URL as the certificate has it."
            ),
        )
        TLS = "tls", _("TLS failed. Use the port of the broker that takes TLS, or mqtt:// without TLS.")
        CREDENTIALS = (
            "credentials",
            _("The broker refuses user or password. Correct them in MQTT_URL or MQTT_PASSWORD_FILE."),
        )
        VERSION = (
            "version",
            _("The broker does not take this version of MQTT. Set MQTT_VERSION to auto."),
        )
        TAKEN_OVER = (
            "taken_over",
            _("Another client has the same name. Run one listener, or set another MQTT_CLIENT_ID."),
        )
        NOT_SUBSCRIBED = (
            "not_subscribed",
            _("The broker refuses a topic to this user. Allow the user to read it."),
        )
        LOST = "lost", _("The connection was lost. The listener tries again by itself.")

    broker = models.CharField(max_length=300, blank=True)
    protocol = models.CharField(max_length=5, blank=True, help_text="Version of MQTT.")
    connected_at = models.DateTimeField(null=True, help_text="None: not connected.")
    seen_at = models.DateTimeField(null=True, help_text="The listener was running then.")
    connected_until = models.DateTimeField(null=True, help_text="It was connected then.")
    message_at = models.DateTimeField(null=True, help_text="Of the last message.")
    messages = models.PositiveBigIntegerField(default=0)
    problem = models.CharField(max_length=20, choices=Problem, blank=True)
    problem_at = models.DateTimeField(null=True)
    detail = models.CharField(max_length=300, blank=True, help_text="Of the problem, in the library's words.")
    filters = models.JSONField(default=list, help_text="Topics that the broker has as subscribed.")
    unconfirmed = models.JSONField(
        default=list, help_text="The last messages without a time of their own, which may come again."
    )

    class Meta:
        constraints = [models.CheckConstraint(condition=models.Q(pk=1), name="broker_state_is_one_row")]

    def __str__(self) -> str:
        return self.broker


class RefusedMessage(models.Model):
    """The last message of a topic that could not be read."""

    class Reason(models.TextChoices):
        TOO_LONG = "too_long", _("The payload is too long.")
        NO_NUMBER = "no_number", _("It is not a number.")
        NO_JSON = "no_json", _("It is not JSON.")
        NO_VALUE = "no_value", _("None of the values is at its place.")
        NO_TIME = "no_time", _("It has no time of its own and waited at the broker.")
        BAD_TIME = "bad_time", _("Its time cannot be read.")
        BAD_NAME = "bad_name", _("The name of the sensor is too long.")
        BAD_SENML = "bad_senml", _("It is not SenML.")
        BAD_STATE = "bad_state", _("It is neither the online nor the offline payload.")
        FAILED = "failed", _("It could not be stored; the log has the reason.")

    topic = models.CharField(max_length=200, unique=True)
    payload = models.CharField(max_length=100, blank=True, help_text="Its first characters.")
    reason = models.CharField(max_length=20, choices=Reason)
    times = models.PositiveBigIntegerField(default=1)
    last_at = models.DateTimeField(db_index=True)

    class Meta:
        ordering = ["-last_at", "-id"]

    def __str__(self) -> str:
        return self.topic
