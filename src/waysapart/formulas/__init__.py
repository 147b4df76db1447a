"""Formulas on plain arrays: they know nothing of studies, and every other stage may use them."""
