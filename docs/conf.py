"""Sphinx settings of the API reference: ``sphinx-build -W docs build/api``.

The pages for people are Markdown and read as they are; Sphinx makes the reference of the code.
"""

from __future__ import annotations

import sys
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parent.parent))

import tracer

project = "tracer"
author = copyright = "the tracer contributors"
version = release = tracer.__version__

extensions = ["sphinx.ext.autodoc", "sphinx.ext.autosummary", "sphinx.ext.napoleon"]
root_doc = "api"
templates_path = ["_templates"]
include_patterns = ["api.rst", "generated/*.rst"]
html_theme = "alabaster"
html_theme_options = {"page_width": "1100px", "sidebar_width": "300px"}
html_copy_source = html_show_sourcelink = False

autosummary_generate = True
autodoc_default_options = {"members": True, "ignore-module-all": True}
autodoc_member_order = "bysource"
autodoc_typehints = "signature"
napoleon_google_docstring = False
napoleon_numpy_docstring = True
napoleon_use_ivar = True
#: fields of one name in several classes (region, view) are not told apart by a bare type
suppress_warnings = ["ref.python"]
