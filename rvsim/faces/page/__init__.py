"""One self-contained HTML page: tables, timeline, lines and plots, without any network."""
