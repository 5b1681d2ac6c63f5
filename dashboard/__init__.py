"""The pages: server-rendered, with scripts that add life."""
