"""A look-back as a document: on screen, as HTML, as PDF, as a bundle of tables; and whether a file is what it says."""
