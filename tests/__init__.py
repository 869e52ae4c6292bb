"""The test suite; mirrors trimfit/."""
