package careplanbridge.server;

import ca.uhn.fhir.batch2.jobs.config.Batch2JobsConfig;
import ca.uhn.fhir.context.FhirContext;
import ca.uhn.fhir.jpa.api.config.JpaStorageSettings;
import ca.uhn.fhir.jpa.api.config.ThreadPoolFactoryConfig;
import ca.uhn.fhir.jpa.batch2.JpaBatch2Config;
import ca.uhn.fhir.jpa.config.HapiJpaConfig;
import ca.uhn.fhir.jpa.config.r4.JpaR4Config;
import ca.uhn.fhir.jpa.config.util.HapiEntityManagerFactoryUtil;
import ca.uhn.fhir.jpa.model.config.PartitionSettings;
import ca.uhn.fhir.jpa.model.config.SubscriptionSettings;
import ca.uhn.fhir.jpa.model.dialect.HapiFhirH2Dialect;
import ca.uhn.fhir.jpa.model.entity.StorageSettings.IndexEnabledEnum;
import ca.uhn.fhir.jpa.subscription.channel.config.SubscriptionChannelConfig;
import jakarta.persistence.EntityManagerFactory;
import java.util.Map;
import javax.sql.DataSource;
import org.h2.jdbcx.JdbcConnectionPool;
import org.springframework.beans.factory.config.ConfigurableListableBeanFactory;
import org.springframework.context.annotation.Bean;
import org.springframework.context.annotation.Configuration;
import org.springframework.context.annotation.Import;
import org.springframework.orm.jpa.JpaTransactionManager;
import org.springframework.orm.jpa.LocalContainerEntityManagerFactoryBean;
import org.springframework.transaction.PlatformTransactionManager;

/** HAPI's JPA storage for R4, kept in an H2 database that ends with the process. */
@Configuration
@Import({
	JpaR4Config.class,
	HapiJpaConfig.class,
	ThreadPoolFactoryConfig.class,
	JpaBatch2Config.class,
	Batch2JobsConfig.class,
	SubscriptionChannelConfig.class // the batch jobs' queue; no subscription is served
})
class StorageConfig {

	@Bean
	JpaStorageSettings storageSettings(Options options) {
		var settings = new JpaStorageSettings();
		settings.setEnforceReferentialIntegrityOnWrite(options.integrity());
		settings.setEnforceReferentialIntegrityOnDelete(options.integrity());
		settings.setAllowExternalReferences(true);
		// Otherwise a search repeated within a minute misses what was written between.
		settings.setReuseCachedSearchResultsForMillis(null);
		settings.setIndexMissingFields(IndexEnabledEnum.ENABLED); // the :missing modifier
		settings.setAllowContainsSearches(true); // the :contains modifier
		// POST $expunge with expungeEverything, which counts as a multiple delete, empties the server between tests.
		settings.setExpungeEnabled(true);
		settings.setAllowMultipleDelete(true);
		settings.setJobFastTrackingEnabled(true); // $export without waiting for the minute's tick
		return settings;
	}

	@Bean
	PartitionSettings partitionSettings() {
		return new PartitionSettings();
	}

	@Bean
	SubscriptionSettings subscriptionSettings() {
		return new SubscriptionSettings();
	}

	@Bean(destroyMethod = "dispose")
	JdbcConnectionPool dataSource() {
		var pool = JdbcConnectionPool.create("jdbc:h2:mem:hapi;DB_CLOSE_DELAY=-1", "sa", "");
		pool.setMaxConnections(30);
		return pool;
	}

	@Bean
	LocalContainerEntityManagerFactoryBean entityManagerFactory(
			ConfigurableListableBeanFactory beans, FhirContext fhir, JpaStorageSettings settings, DataSource dataSource) {
		var factory = HapiEntityManagerFactoryUtil.newEntityManagerFactory(beans, fhir, settings);
		factory.setPersistenceUnitName("hapi");
		factory.setDataSource(dataSource);
		factory.setJpaPropertyMap(Map.of(
				"hibernate.dialect", HapiFhirH2Dialect.class.getName(),
				"hibernate.hbm2ddl.auto", "create",
				"hibernate.search.enabled", "false"));
		return factory;
	}

	@Bean
	PlatformTransactionManager transactionManager(EntityManagerFactory factory) {
		return new JpaTransactionManager(factory);
	}
}
