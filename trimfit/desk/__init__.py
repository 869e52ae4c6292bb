"""The use cases: each passes values between the rooms."""
