"""One HTML file about a run or a job."""
