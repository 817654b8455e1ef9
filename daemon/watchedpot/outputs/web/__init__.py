"""The HTTP side: landing page, metrics, health; the only room that names the HTTP libraries."""
