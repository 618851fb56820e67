"""The pages: studying and authoring in the browser."""
