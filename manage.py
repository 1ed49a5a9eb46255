#!/usr/bin/env python
import os
import sys

if __name__ == "__main__":
    # Whatever is stored is for this user's eyes only, whoever made the folder.
    os.umask(0o077)
    os.environ.setdefault("DJANGO_SETTINGS_MODULE", "config.settings")
    from django.core.management import execute_from_command_line

    execute_from_command_line(sys.argv)
