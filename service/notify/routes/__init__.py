"""The ways by which a message leaves: mail, web hooks, and some hundred services by their URL."""
