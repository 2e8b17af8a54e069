// Package forecast says when a pot of wax will reach a temperature.
package forecast
