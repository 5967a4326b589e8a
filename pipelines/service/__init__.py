"""Jobs over HTTP and in the browser: table of jobs, workers, API, pages."""
