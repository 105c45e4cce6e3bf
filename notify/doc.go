// Package notify sends what is due to people: webhooks and email.
//
// Open a route with NewWebhook or NewMail, hand the routes and the outbox to
// NewWorker, and call Run; call Wake when the outbox has something new. Plan
// decides, when an event is stored, which routes it goes to and how long it is
// held; Test sends a test message through each route.
//
// Delivery is at least once. A message keeps its id over retries and restarts
// (the CloudEvents id, the webhook-id header, the Message-ID), so that a
// receiver can drop a repeat.
package notify
