"""The schema's history: one file a step, each of which is never changed once it was released."""
