package main

//lint:file-ignore SA1019 the design names this library; see DEVELOPERS.md. Tests here speak to it only through this file.

import (
	"context"
	"strings"

	"nhooyr.io/websocket"
)

// pageClient is the page's end of the websocket.
type pageClient struct{ conn *websocket.Conn }

// openPage connects as a page does; url is the station's.
func openPage(ctx context.Context, url string) (*pageClient, error) {
	conn, _, err := websocket.Dial(ctx, "ws"+strings.TrimPrefix(url, "http")+"api/v1/live", nil)
	if err != nil {
		return nil, err
	}
	conn.SetReadLimit(1 << 22)
	return &pageClient{conn}, nil
}

// next waits for the next message.
func (c *pageClient) next(ctx context.Context) ([]byte, error) {
	_, data, err := c.conn.Read(ctx)
	return data, err
}

func (c *pageClient) close() { c.conn.CloseNow() }
