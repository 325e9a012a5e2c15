// SPDX-License-Identifier: GPL-2.0
/*
 * shed_w1: a 1-Wire bus for tests, with DS18B20 probes on it, below the kernel's own w1_therm.
 *
 * The module's parameter probes= lists the probes that are there from the start, as ID:millicelsius
 * with a comma between.  /sys/devices/platform/shed_w1/control takes one command a write:
 *
 *   28-000000000001 21500    the probe's temperature, millicelsius; a probe that is new appears
 *   28-000000000001 crc      its answers are garbled          ... ok      it is well again
 *   28-000000000001 silent   it does not answer               ... remove  it is unplugged
 *   bus hang                 the next transfer does not return ... bus ok  until this is written
 *
 * Function codes and the layout of the scratchpad: data sheet of the DS18B20 (19-7487).
 */
#include <linux/jiffies.h>
#include <linux/module.h>
#include <linux/mutex.h>
#include <linux/platform_device.h>
#include <linux/w1.h>
#include <linux/wait.h>

#define MOST_PROBES 32

enum { SKIP_ROM = 0xcc, MATCH_ROM = 0x55 };
enum {
	CONVERT = 0x44,
	READ_PAD = 0xbe,
	WRITE_PAD = 0x4e,
	READ_POWER = 0xb4,
	COPY_PAD = 0x48,
	RECALL = 0xb8,
};
enum step { AT_ROM, AT_MATCH, AT_FUNCTION, AT_READ, AT_WRITE, AT_CONVERT, AT_REST };

struct probe {
	bool used, garbled, silent;
	u64 rom;
	int millicelsius;
	u8 pad[9];
	u8 eeprom[3];
	unsigned long busy_until;
};

static const u8 pad_at_power_on[8] = { 0x50, 0x05, 0x4b, 0x46, 0x7f, 0xff, 0x0c, 0x10 };

static char *probes = "";
module_param(probes, charp, 0444);
MODULE_PARM_DESC(probes, "ID:millicelsius,... of the probes that are there from the start");

static struct probe bench[MOST_PROBES];
static enum step step;
static int count;          /* bytes of the present step so far */
static u8 wanted_rom[8];
static u32 selected;
static bool hanging;
static DECLARE_WAIT_QUEUE_HEAD(released);
static DEFINE_MUTEX(lock);
static struct platform_device *device;

#define for_selected(i) for (i = 0; i < MOST_PROBES; i++) if (selected & BIT(i))

static bool answers(const struct probe *p)
{
	return p->used && !p->silent;
}

static int coarseness(const struct probe *p)   /* 0 at 12 bits, 3 at 9 bits */
{
	return 3 - ((p->pad[4] >> 5) & 3);
}

static void seal(struct probe *p)
{
	p->pad[8] = w1_calc_crc8(p->pad, 8);
}

static void convert(struct probe *p)
{
	int raw = DIV_ROUND_CLOSEST(p->millicelsius * 16, 1000);

	raw &= ~((1 << coarseness(p)) - 1);
	p->pad[0] = raw & 0xff;
	p->pad[1] = (raw >> 8) & 0xff;
	p->pad[6] = 0x10 - (raw & 0x0f);
	seal(p);
	p->busy_until = jiffies + msecs_to_jiffies(750 >> coarseness(p));
}

static u8 bus_reset(void *data)
{
	u8 nobody = 1;
	int i;

	wait_event_killable(released, !READ_ONCE(hanging));
	mutex_lock(&lock);
	step = AT_ROM;
	selected = 0;
	for (i = 0; i < MOST_PROBES; i++)
		if (answers(&bench[i]))
			nobody = 0;
	mutex_unlock(&lock);
	return nobody;
}

static void take_rom_command(u8 byte)
{
	int i;

	count = 0;
	step = byte == MATCH_ROM ? AT_MATCH : byte == SKIP_ROM ? AT_FUNCTION : AT_REST;
	if (byte == SKIP_ROM)
		for (i = 0; i < MOST_PROBES; i++)
			if (answers(&bench[i]))
				selected |= BIT(i);
}

static void take_rom_byte(u8 byte)
{
	u64 rom;
	int i;

	wanted_rom[count++] = byte;
	if (count < 8)
		return;
	memcpy(&rom, wanted_rom, 8);
	for (i = 0; i < MOST_PROBES; i++)
		if (answers(&bench[i]) && bench[i].rom == rom)
			selected |= BIT(i);
	step = AT_FUNCTION;
}

static void take_function(u8 byte)
{
	int i;

	count = 0;
	step = AT_REST;
	switch (byte) {
	case CONVERT:
		for_selected(i)
			convert(&bench[i]);
		step = AT_CONVERT;
		break;
	case READ_PAD:
		step = AT_READ;
		break;
	case WRITE_PAD:
		step = AT_WRITE;
		break;
	case COPY_PAD:
		for_selected(i)
			memcpy(bench[i].eeprom, bench[i].pad + 2, 3);
		break;
	case RECALL:
		for_selected(i) {
			memcpy(bench[i].pad + 2, bench[i].eeprom, 3);
			seal(&bench[i]);
		}
		break;
	default:               /* READ_POWER too: a bus at rest reads as ones, external power */
		break;
	}
}

static void bus_write(void *data, u8 byte)
{
	int i;

	mutex_lock(&lock);
	switch (step) {
	case AT_ROM:
		take_rom_command(byte);
		break;
	case AT_MATCH:
		take_rom_byte(byte);
		break;
	case AT_FUNCTION:
		take_function(byte);
		break;
	case AT_WRITE:
		for_selected(i) {
			bench[i].pad[2 + count] = count == 2 ? (byte & 0x60) | 0x1f : byte;
			seal(&bench[i]);
		}
		if (++count == 3)
			step = AT_REST;
		break;
	default:
		break;
	}
	mutex_unlock(&lock);
}

static u8 bus_read(void *data)
{
	u8 wire = 0xff;        /* open drain: every probe that is selected may pull it low */
	int i;

	mutex_lock(&lock);
	if (step == AT_READ && count < 9) {
		for_selected(i)
			wire &= bench[i].pad[count] ^ (bench[i].garbled && !count ? 0x10 : 0);
		count++;
	}
	mutex_unlock(&lock);
	return wire;
}

static u8 bus_touch(void *data, u8 bit)
{
	u8 wire = bit;
	int i;

	mutex_lock(&lock);
	if (bit && step == AT_CONVERT)
		for_selected(i)
			if (time_before(jiffies, bench[i].busy_until))
				wire = 0;
	mutex_unlock(&lock);
	return wire;
}

static void bus_search(void *data, struct w1_master *master, u8 type, w1_slave_found_callback found)
{
	u64 roms[MOST_PROBES];
	int i, n = 0;

	mutex_lock(&lock);
	for (i = 0; i < MOST_PROBES; i++)
		if (answers(&bench[i]) && type == W1_SEARCH)
			roms[n++] = bench[i].rom;
	mutex_unlock(&lock);
	for (i = 0; i < n; i++)
		found(master, roms[i]);
}

static struct w1_bus_master bus = {
	.dev_id = "shed_w1",
	.reset_bus = bus_reset,
	.write_byte = bus_write,
	.read_byte = bus_read,
	.touch_bit = bus_touch,
	.search = bus_search,
};

/* The probe of that name, or one that is free for it; NULL when the bench is full. */
static struct probe *probe_of(unsigned int family, u64 serial, bool *known)
{
	u64 rom = family | (serial << 8);
	struct probe *free = NULL;
	int i;

	rom |= (u64)w1_calc_crc8((u8 *)&rom, 7) << 56;
	for (i = 0; i < MOST_PROBES; i++) {
		*known = bench[i].used && bench[i].rom == rom;
		if (*known)
			return &bench[i];
		if (!bench[i].used && !free)
			free = &bench[i];
	}
	if (free)
		free->rom = rom;
	return free;
}

static void power_on(struct probe *p, int millicelsius)
{
	u64 rom = p->rom;

	memset(p, 0, sizeof(*p));
	p->rom = rom;
	p->millicelsius = millicelsius;
	memcpy(p->pad, pad_at_power_on, sizeof(pad_at_power_on));
	memcpy(p->eeprom, pad_at_power_on + 2, 3);
	seal(p);
	p->used = true;
}

static int order(const char *text)
{
	int millicelsius, read = 0, error = 0;
	unsigned int family;
	struct probe *p;
	char word[16];
	bool known;
	u64 serial;

	if (sscanf(text, "bus %15s", word) == 1) {
		WRITE_ONCE(hanging, !strcmp(word, "hang"));
		wake_up_all(&released);
		return 0;
	}
	if (sscanf(text, "%2x-%12llx%n", &family, &serial, &read) != 2 || !text[read])
		return -EINVAL;
	if (sscanf(text + read + 1, "%15s", word) != 1)
		return -EINVAL;
	mutex_lock(&lock);
	p = probe_of(family, serial, &known);
	if (!kstrtoint(word, 10, &millicelsius)) {
		if (!p)
			error = -ENOSPC;
		else if (known)
			p->millicelsius = millicelsius;
		else
			power_on(p, millicelsius);
	} else if (!known) {
		error = -ENOENT;
	} else if (!strcmp(word, "remove")) {
		p->used = false;
	} else if (!strcmp(word, "crc")) {
		p->garbled = true;
	} else if (!strcmp(word, "silent")) {
		p->silent = true;
	} else if (!strcmp(word, "ok")) {
		p->garbled = p->silent = false;
	} else {
		error = -EINVAL;
	}
	mutex_unlock(&lock);
	return error;
}

static ssize_t control_store(struct device *dev, struct device_attribute *attribute,
			     const char *text, size_t length)
{
	return order(text) ?: length;
}
static DEVICE_ATTR_WO(control);

static int __init shed_w1_start(void)
{
	char *list = probes, *each;
	int error;

	while ((each = strsep(&list, ",")) != NULL)
		if (*each && order(each))
			return -EINVAL;
	device = platform_device_register_simple("shed_w1", PLATFORM_DEVID_NONE, NULL, 0);
	if (IS_ERR(device))
		return PTR_ERR(device);
	error = device_create_file(&device->dev, &dev_attr_control);
	if (error)
		goto unregister;
	error = w1_add_master_device(&bus);
	if (!error)
		return 0;
	device_remove_file(&device->dev, &dev_attr_control);
unregister:
	platform_device_unregister(device);
	return error;
}

static void __exit shed_w1_end(void)
{
	w1_remove_master_device(&bus);
	device_remove_file(&device->dev, &dev_attr_control);
	platform_device_unregister(device);
}

module_init(shed_w1_start);
module_exit(shed_w1_end);
MODULE_LICENSE("GPL");
MODULE_DESCRIPTION("1-Wire bus with simulated probes for tests");
