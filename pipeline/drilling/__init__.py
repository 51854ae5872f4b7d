"""The drilling stage: from what the crew measured after drilling to the holes as they are and the fence that stands in them."""
