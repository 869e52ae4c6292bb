"""The pictures: their style and what each shows."""

import logging

# Where its own cache has no place, matplotlib says so on stderr, which is kept for what went wrong.
logging.getLogger("matplotlib").setLevel(logging.ERROR)
