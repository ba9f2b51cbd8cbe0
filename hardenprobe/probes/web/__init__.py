"""HTTP: start page, settings pages, cookies."""
