"""The jobs built on gridfit: command line, tracking, reports."""
