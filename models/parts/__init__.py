"""The four parts of the joint model: each adds its observation model to an open model."""
