"""Questions about a plan that several plans answer: asked in one call, made by the queue, answered once they are there."""
