"""The assay document, readings and contrasts."""
