"""trimfit: remembers every reed and every cut, learns how each reed type answers, says how much more to take off."""

__version__ = "0.1.0"
