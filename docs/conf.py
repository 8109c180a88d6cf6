"""How Sphinx builds these pages: `.venv/bin/sphinx-build -W docs docs/_build`."""

import evenbench

project = "Evenbench"
author = "Evenbench contributors"
copyright = f"2026, {author}"
version = release = evenbench.__version__

extensions = ["myst_parser"]
myst_enable_extensions = ["colon_fence", "deflist"]
myst_heading_anchors = 3
exclude_patterns = ["_build"]

html_theme = "furo"
html_title = "Evenbench"
html_show_sphinx = False
