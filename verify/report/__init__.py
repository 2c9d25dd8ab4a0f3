"""A job as a document that can be handed over: pages for the customer, the signer, the workshop."""
