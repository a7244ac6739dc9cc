// The viewer would otherwise ask a validator elsewhere about the description.
SwaggerUIBundle({ url: "openapi.json", dom_id: "#viewer", deepLinking: true, validatorUrl: null });
