"""Reports for people and machines: result.json, the marked-up picture, the HTML page."""
