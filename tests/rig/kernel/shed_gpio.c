// SPDX-License-Identifier: GPL-2.0
/*
 * shed_gpio: a GPIO chip for tests, watched from outside whoever drives it.
 *
 * It has the lines of a Raspberry Pi's header and nothing behind them.  A line that its owner lets
 * go keeps its level, as it does on a stock Raspberry Pi kernel; keep=0 makes it an input with a
 * pull-down again, which is what dtparam=strict_gpiod does.
 *
 * <debugfs>/shed_gpio/levels   the lines that are high, by number
 * <debugfs>/shed_gpio/changes  every change since loading, oldest first: monotonic ns, line, level.
 *                              Written by the kernel in the moment of the change.
 * <debugfs>/shed_gpio/hang     whatever is written to it, the machine hangs: the kernel's only processor
 *                              stops with its interrupts off.
 * /proc/device-tree/system/linux,revision  the board's revision code, which GPIO libraries ask for
 */
#include <linux/bitmap.h>
#include <linux/debugfs.h>
#include <linux/gpio/driver.h>
#include <linux/io.h>
#include <linux/ktime.h>
#include <linux/module.h>
#include <linux/platform_device.h>
#include <linux/proc_fs.h>
#include <linux/seq_file.h>
#include <linux/spinlock.h>

#define LINES 54
#define MOST_CHANGES 16384

static bool keep = true;
module_param(keep, bool, 0644);
MODULE_PARM_DESC(keep, "a line that is let go keeps its level");

static uint revision = 0xa02082;
module_param(revision, uint, 0444);
MODULE_PARM_DESC(revision, "revision code of the board; 0: none is shown");

struct change {
	u64 at_ns;
	u8 line;
	bool level;
};

static DEFINE_SPINLOCK(lock);
static DECLARE_BITMAP(output, LINES);
static DECLARE_BITMAP(latch, LINES);
static struct change changes[MOST_CHANGES];
static unsigned int change_count;
static struct platform_device *device;
static struct gpio_chip chip;
static struct dentry *folder;
static struct proc_dir_entry *tree;

/* The level on the wire: what an output drives, and low for an input, by the pull-down. */
static bool on_wire(unsigned int line)
{
	return test_bit(line, output) && test_bit(line, latch);
}

static void drive(unsigned int line, bool out, bool level)
{
	unsigned long flags;
	bool before;

	spin_lock_irqsave(&lock, flags);
	before = on_wire(line);
	__assign_bit(line, latch, level);
	__assign_bit(line, output, out);
	if (on_wire(line) != before && change_count < MOST_CHANGES)
		changes[change_count++] = (struct change){ ktime_get_ns(), line, !before };
	spin_unlock_irqrestore(&lock, flags);
}

static int get_direction(struct gpio_chip *gc, unsigned int line)
{
	return test_bit(line, output) ? GPIO_LINE_DIRECTION_OUT : GPIO_LINE_DIRECTION_IN;
}

static int direction_input(struct gpio_chip *gc, unsigned int line)
{
	drive(line, false, false);
	return 0;
}

static int direction_output(struct gpio_chip *gc, unsigned int line, int level)
{
	drive(line, true, level);
	return 0;
}

static int get_level(struct gpio_chip *gc, unsigned int line)
{
	return on_wire(line);
}

static void set_level(struct gpio_chip *gc, unsigned int line, int level)
{
	drive(line, test_bit(line, output), level);
}

/* The pull is fixed, so any wish for another is taken and ignored. */
static int set_config(struct gpio_chip *gc, unsigned int line, unsigned long config)
{
	return 0;
}

static void let_go(struct gpio_chip *gc, unsigned int line)
{
	if (!keep)
		drive(line, false, false);
}

static int levels_show(struct seq_file *file, void *unused)
{
	unsigned int line;

	for (line = 0; line < LINES; line++)
		if (on_wire(line))
			seq_printf(file, "%u\n", line);
	return 0;
}
DEFINE_SHOW_ATTRIBUTE(levels);

static int changes_show(struct seq_file *file, void *unused)
{
	unsigned int i, count = READ_ONCE(change_count);

	for (i = 0; i < count; i++)
		seq_printf(file, "%llu %u %u\n", changes[i].at_ns, changes[i].line,
			   changes[i].level);
	return 0;
}
DEFINE_SHOW_ATTRIBUTE(changes);

static ssize_t hang_write(struct file *file, const char __user *text, size_t length, loff_t *at)
{
	local_irq_disable();
	/*
	 * Channel 0 of the interval timer goes on ticking at 18 Hz with nobody to hear it: an emulated
	 * machine's clock goes on to the next timer at once, and else that would be tomorrow.
	 */
	outb(0x34, 0x43);
	outb(0, 0x40);
	outb(0, 0x40);
	for (;;)
		halt();
	return length;
}

static const struct file_operations hang_fops = {
	.owner = THIS_MODULE,
	.write = hang_write,
};

static int revision_show(struct seq_file *file, void *unused)
{
	__be32 code = cpu_to_be32(revision);

	seq_write(file, &code, sizeof(code));
	return 0;
}

static int __init shed_gpio_start(void)
{
	struct proc_dir_entry *system;
	int error;

	device = platform_device_register_simple("shed_gpio", PLATFORM_DEVID_NONE, NULL, 0);
	if (IS_ERR(device))
		return PTR_ERR(device);
	chip.label = "shed_gpio";
	chip.parent = &device->dev;
	chip.owner = THIS_MODULE;
	chip.base = -1;
	chip.ngpio = LINES;
	chip.get_direction = get_direction;
	chip.direction_input = direction_input;
	chip.direction_output = direction_output;
	chip.get = get_level;
	chip.set = set_level;
	chip.set_config = set_config;
	chip.free = let_go;
	error = gpiochip_add_data(&chip, NULL);
	if (error) {
		platform_device_unregister(device);
		return error;
	}
	folder = debugfs_create_dir("shed_gpio", NULL);
	debugfs_create_file("levels", 0444, folder, NULL, &levels_fops);
	debugfs_create_file("changes", 0444, folder, NULL, &changes_fops);
	debugfs_create_file("hang", 0200, folder, NULL, &hang_fops);
	tree = revision ? proc_mkdir("device-tree", NULL) : NULL;
	system = tree ? proc_mkdir("system", tree) : NULL;
	if (system)
		proc_create_single("linux,revision", 0444, system, revision_show);
	return 0;
}

static void __exit shed_gpio_end(void)
{
	if (tree)
		proc_remove(tree);
	debugfs_remove_recursive(folder);
	gpiochip_remove(&chip);
	platform_device_unregister(device);
}

module_init(shed_gpio_start);
module_exit(shed_gpio_end);
MODULE_LICENSE("GPL");
MODULE_DESCRIPTION("GPIO chip for tests that keeps its levels and notes every change");
