"""The pages, one module each: a route reads, builds what is shown, and renders it."""
