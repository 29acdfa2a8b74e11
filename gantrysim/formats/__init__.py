"""Tests and burns as files of open standards: SVG drawings and RS-274 motion code."""
