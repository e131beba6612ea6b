"""Tests in a real browser: JupyterLab and Chromium, both started and stopped here."""
