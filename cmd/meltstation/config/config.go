// Package config reads the station's settings from a TOML file. What it can't
// use it refuses with the file, the line and the mend.
package config

import (
	"fmt"

	"example.org/meltstation/alerts"
	"example.org/meltstation/alerts/notify"
	"example.org/meltstation/alerts/plan"
	"example.org/meltstation/probe"
	"example.org/meltstation/probe/serialtc"
)

// Problem is one thing wrong in a settings file.
type Problem struct {
	File  string
	Line  int    // 0 = the whole file
	Field string // "probe[1].port"; empty when the file can't be read at all
	What  string // what is wrong
	Mend  string // what to do
}

func (p Problem) Error() string {
	where := p.File
	if p.Line > 0 {
		where = fmt.Sprintf("%s:%d", p.File, p.Line)
	}
	s := where + ": " + p.What
	if p.Mend != "" {
		s += "; " + p.Mend
	}
	return s
}

// Config is what the station runs with. Temperatures are °C.
type Config struct {
	Path     string // of the file; "" = no file
	Name     string
	Data     string // directory of the trace, recipes, calibrations, keys
	Units    string // "C" or "F": what the page and messages show at first
	Mass     string // "g" or "oz"
	Altitude float64
	Page     Page
	Pots     []Pot
	Probes   []Probe
	Sheet    plan.Sheet // for a batch that is started without a recipe
	Alarms   alerts.Settings
	Quiet    notify.Quiet
	Webhooks []notify.WebhookConfig
	Mails    []notify.MailConfig
	Push     *notify.PushConfig // without keys: they are made at first start
	Pins     []notify.PinConfig
}

// Page is how the page is served.
type Page struct {
	Listen      string
	TLS         string // "off", "own" (made at first start) or "files"
	Certificate string
	Key         string
	Hosts       []string // further names the page is reached by
	MetricsKey  string   // path of a file with the token that opens /metrics to another machine
}

// Pot is one melting pot.
type Pot struct {
	ID, Name, Jug string
}

// Probe is one thermometer as the file describes it. One of W1, Text and Modbus
// says how it is reached.
type Probe struct {
	Spec   probe.Spec // without its Opener: see Config.ProbeSpecs
	W1     *W1
	Text   *serialtc.TextConfig
	Modbus *serialtc.ModbusConfig // its Line is shared out by ProbeSpecs
}

// W1 is a sensor on a 1-Wire bus.
type W1 struct {
	ID   string // "28-0316a2795bff"
	Root string // of the kernel's files; "" = the usual place
	Bits int    // resolution, 9 to 12; 0 = as it is
	Bus  string // name of the bus, to drive it without the kernel's files; "" = through them
}

type file struct {
	Station struct {
		Name        string `toml:"name"`
		Data        string `toml:"data"`
		Temperature string `toml:"temperature"`
		Mass        string `toml:"mass"`
		Altitude    string `toml:"altitude"`
	} `toml:"station"`
	Page struct {
		Listen      string   `toml:"listen"`
		TLS         string   `toml:"tls"`
		Certificate string   `toml:"certificate"`
		Key         string   `toml:"key"`
		Hosts       []string `toml:"hosts"`
		MetricsKey  string   `toml:"metrics_key_file"`
	} `toml:"page"`
	Pot []struct {
		ID   string `toml:"id"`
		Name string `toml:"name"`
		Jug  string `toml:"jug"`
	} `toml:"pot"`
	Probe []fileProbe `toml:"probe"`
	Batch struct {
		ScentAdd    string `toml:"scent_add"`
		Pour        string `toml:"pour"`
		PourHigh    string `toml:"pour_high"`
		PourLow     string `toml:"pour_low"`
		Flash       string `toml:"flash_point"`
		FlashMethod string `toml:"flash_method"`
		FlashMargin string `toml:"flash_margin"`
		Scorch      string `toml:"scorch"`
		Congeal     string `toml:"congeal"`
		Stir        string `toml:"stir"`
		Trim        string `toml:"trim"`
		Move        string `toml:"move"`
		Cure        string `toml:"cure"`
	} `toml:"batch"`
	Cues struct {
		Lead     string `toml:"lead"`
		WarmJars string `toml:"warm_jars"`
	} `toml:"cues"`
	Alarms struct {
		Unattended      string `toml:"unattended_after"`
		UnattendedAbove string `toml:"unattended_above"`
		HeatLeftOn      string `toml:"heat_left_on_after"`
		QuietFrom       string `toml:"quiet_from"`
		QuietTo         string `toml:"quiet_to"`
	} `toml:"alarms"`
	Webhook []fileWebhook      `toml:"webhook"`
	Mail    []fileMail         `toml:"mail"`
	Push    *filePush          `toml:"push"`
	Pin     []notify.PinConfig `toml:"pin"`
}

type filePush struct {
	notify.Common
	Contact string `toml:"contact"`
}

type fileWebhook struct {
	notify.WebhookConfig
	SecretFile string `toml:"secret_file"`
}

type fileMail struct {
	notify.MailConfig
	PasswordFile string `toml:"password_file"`
}

type fileProbe struct {
	ID       string  `toml:"id"`
	Name     string  `toml:"name"`
	Kind     string  `toml:"kind"`
	Role     string  `toml:"role"`
	Pot      string  `toml:"pot"`
	Device   string  `toml:"device"`
	Bus      string  `toml:"bus"`
	Root     string  `toml:"root"`
	Bits     int     `toml:"bits"`
	Every    string  `toml:"every"`
	Timeout  string  `toml:"timeout"`
	Least    string  `toml:"least"`
	Most     string  `toml:"most"`
	Port     string  `toml:"port"`
	Baud     int     `toml:"baud"`
	DataBits int     `toml:"data_bits"`
	Parity   string  `toml:"parity"`
	StopBits int     `toml:"stop_bits"`
	Pattern  string  `toml:"pattern"`
	Ask      string  `toml:"ask"`
	Unit     string  `toml:"unit"`
	Type     string  `toml:"thermocouple"`
	Cold     string  `toml:"cold_junction"`
	Slave    int     `toml:"slave"`
	Function int     `toml:"function"`
	Register *int    `toml:"register"`
	Format   string  `toml:"format"`
	Scale    float64 `toml:"scale"`
	ColdReg  *int    `toml:"cold_register"`
}
