from django.apps import AppConfig, apps


class AccessConfig(AppConfig):
    name = "access"

    def ready(self) -> None:
        from access.audit import watch
        from background.lines import guard_lines

        guard_lines([self.get_model("Token")])
        watch([self.get_model("Invitation")])
        watch([self.get_model("User")], secret=["password"])
        watch([self.get_model("Token")], secret=["digest"])
        watch([apps.get_model("otp_totp", "TOTPDevice")], secret=["key", "last_t", "drift"])
