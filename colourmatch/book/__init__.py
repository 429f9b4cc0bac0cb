"""The lot book: what was written down, only ever added to; it knows no colour science and no screen."""
