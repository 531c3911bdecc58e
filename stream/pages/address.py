"""Where the pages are served unless the user says otherwise; light, for the commands."""

DEFAULT_PORT = 7310
