import os

from django.conf import settings
from django.core.exceptions import ImproperlyConfigured
from django.core.wsgi import get_wsgi_application

os.environ.setdefault("DJANGO_SETTINGS_MODULE", "config.settings")
if settings.SECRET_KEY == settings.NO_KEY:
    raise ImproperlyConfigured(
        "There is no SECRET_KEY yet: start with ./run, or run manage.py prepare first."
    )
application = get_wsgi_application()
