package page

// DemoCase is for the tests that see the page from outside.
var DemoCase = demoCase
