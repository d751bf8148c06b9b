package careplanbridge.server;

import org.springframework.core.env.MutablePropertySources;
import org.springframework.core.env.PropertySourcesPropertyResolver;
import org.springframework.core.env.SimpleCommandLinePropertySource;

/**
 * What the command line sets, each as {@code --name=value}.
 *
 * @param port loopback port; 0 picks a free one
 * @param integrity refuse writes and deletes that leave a reference without its target
 * @param strict refuse bodies with unknown elements or repeats of what does not repeat
 * @param attached end when standard input ends, so that no server outlives the process that started it
 * @param validate refuse bodies that the FHIR instance validator finds in error (slower)
 */
record Options(int port, boolean integrity, boolean strict, boolean attached, boolean validate) {

	static Options parse(String... args) {
		var sources = new MutablePropertySources();
		sources.addFirst(new SimpleCommandLinePropertySource(args));
		var values = new PropertySourcesPropertyResolver(sources);
		return new Options(
				values.getProperty("port", Integer.class, 0),
				values.getProperty("integrity", Boolean.class, true),
				values.getProperty("strict", Boolean.class, false),
				values.getProperty("attached", Boolean.class, false),
				values.getProperty("validate", Boolean.class, false));
	}
}
